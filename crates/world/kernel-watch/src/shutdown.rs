//! Waiting for the word to stop.

use tokio::sync::watch;

/// Returns once the value is true, or whoever could set it is gone.
pub(crate) async fn requested(shutdown: &mut watch::Receiver<bool>) {
    // An error means that the sender is gone: nobody could ever say stop, so that is the word.
    let _ = shutdown.wait_for(|stop| *stop).await;
}
