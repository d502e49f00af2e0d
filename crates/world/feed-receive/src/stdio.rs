//! A feed on standard input, with its replies on standard output. It ends with its input.

use crate::output::Output;
use crate::stream::{READ_BYTES, serve};
use crate::threaded::{FromThread, News, start};
use crate::{FeedEvent, FeedSpec};
use std::io::{ErrorKind, Read};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// How long replies may take after the end of the input: whoever wrote it may be waiting for them.
const PATIENCE: Duration = Duration::from_secs(10);

pub(crate) async fn run<T: From<FeedEvent> + Send>(spec: &Arc<FeedSpec>, output: &mut Output<T>) {
    let mut news = match start("stdin", |to| read(std::io::stdin(), &to)) {
        Ok(news) => news,
        Err(error) => {
            tracing::error!(feed = %spec.name, "cannot read standard input: {error}");
            return;
        }
    };
    let way_back = Some(tokio::io::stdout());
    serve(spec, output, "standard input".to_owned(), &mut FromThread::new(&mut news), way_back, PATIENCE).await;
}

/// Reads to the end, on a thread.
pub(crate) fn read(mut from: impl Read, to: &mpsc::Sender<News>) {
    let mut buffer = vec![0; READ_BYTES];
    loop {
        let news = match from.read(&mut buffer) {
            Ok(0) => News::Ended(None),
            Ok(length) => News::Bytes(clocks::mono(), buffer.get(..length).unwrap_or_default().to_vec()),
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => News::Ended(Some(error.to_string())),
        };
        let ended = matches!(news, News::Ended(_));
        if to.blocking_send(news).is_err() || ended {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_to_the_end_and_says_how_it_ended() {
        struct Broken;
        impl Read for Broken {
            fn read(&mut self, _: &mut [u8]) -> std::io::Result<usize> {
                Err(std::io::Error::other("pulled out"))
            }
        }
        let mut news = start("test", |to| read("abc".as_bytes().chain(Broken), &to)).unwrap();
        assert!(
            matches!(news.blocking_recv(), Some(News::Bytes(at, bytes)) if at <= clocks::mono() && bytes == b"abc")
        );
        assert!(matches!(news.blocking_recv(), Some(News::Ended(Some(why))) if why == "pulled out"));
        assert!(news.blocking_recv().is_none());

        let mut news = start("test", |to| read(std::io::empty(), &to)).unwrap();
        assert!(matches!(news.blocking_recv(), Some(News::Ended(None))));
    }
}
