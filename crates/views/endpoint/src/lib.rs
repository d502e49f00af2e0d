//! The JSON endpoint: the questions of crate `questions`, over HTTP on loopback.
//!
//! It answers GET and HEAD under `/v1/` from its own read-only connections, so that a slow question never waits in the
//! daemon's way: a bounded number of connections is served, a bounded number of questions is asked at once, and what is
//! too much gets 503. It must never write to the database and knows no question of its own. `docs/endpoint.md` is the
//! contract; a test holds the real answers against it. The daemon calls [`serve`].

mod answer;
mod connections;
mod host;
mod parameters;
mod reader;
mod routes;

use questions::{QuestionError, RunRef};
use std::io;
use std::path::PathBuf;
use std::time::Duration;
use store::StoreError;
use thiserror::Error;
use tokio::net::TcpListener;
use tokio::sync::watch;
use verdict::Criteria;

/// How long answers under way may take once the daemon is told to stop.
const FAREWELL: Duration = Duration::from_secs(2);

/// Why the endpoint cannot serve.
#[derive(Debug, Error)]
pub enum EndpointError {
    /// The database cannot be opened for reading.
    #[error("the endpoint cannot open the database: {0}")]
    Database(#[from] StoreError),
    /// The database opens, and the run that is to be served cannot be found in it.
    #[error("the endpoint cannot read the run: {0}")]
    Run(#[from] QuestionError),
    /// The socket failed.
    #[error("the endpoint's socket failed: {0}")]
    Socket(#[from] io::Error),
}

/// What is served.
#[derive(Debug)]
pub struct Served {
    /// The database.
    pub db: PathBuf,
    /// Which run of it.
    pub run: RunRef,
    /// What the platform must show: `/v1/verdict` has no answer without.
    pub criteria: Option<Criteria>,
}

/// Serves one run until `shutdown` holds true or its sender is gone.
///
/// `health` is what `/v1/health` answers, made by the daemon; its `ready` decides between 200 and 503. When the listener
/// is bound to a loopback address, requests that name another host than loopback are refused.
///
/// # Errors
/// When the database or the run cannot be read at the start, or the socket has no address. Later trouble with the
/// database is answered with 503 and does not end the endpoint.
pub async fn serve(
    listener: TcpListener,
    served: Served,
    health: watch::Receiver<serde_json::Value>,
    mut shutdown: watch::Receiver<bool>,
) -> Result<(), EndpointError> {
    let only_loopback = listener.local_addr()?.ip().is_loopback();
    let reader = reader::Reader::new(served.db, served.run);
    reader.check().await?;
    let app = routes::router(reader, served.criteria, health, only_loopback);
    let mut stopping = shutdown.clone();
    let server = axum::serve(connections::Bounded::new(listener), app).with_graceful_shutdown(async move {
        // An error means that the sender is gone, and with it whoever could ask to stop.
        let _ = stopping.wait_for(|stop| *stop).await;
    });
    tokio::select! {
        done = server => done?,
        () = async {
            let _ = shutdown.wait_for(|stop| *stop).await;
            tokio::time::sleep(FAREWELL).await;
        } => tracing::debug!("endpoint: connections still open after the farewell are cut"),
    }
    Ok(())
}
