//! Reading the database without ever standing in the daemon's way.
//!
//! Each question runs on tokio's blocking threads, over one of two read-only connections that are kept with their prepared
//! statements. In WAL mode readers and the writer do not block each other. Questions that come while both connections are busy
//! wait; when too many wait or one waits too long, it gets 503.

use crate::EndpointError;
use crate::answer::Refusal;
use questions::{QuestionError, RunRef, Snapshot};
use rusqlite::Connection;
use serde::Serialize;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Questions asked at once: a long one and the short ones beside it.
const AT_ONCE: usize = 2;

/// Questions that may wait for their turn.
const MAY_WAIT: usize = 32;

/// How long one may wait.
const PATIENCE: Duration = Duration::from_secs(5);

/// More than there are forms of the questions in use.
const STATEMENTS: usize = 64;

/// Asks the database.
#[derive(Clone)]
pub(crate) struct Reader {
    shared: Arc<Shared>,
}

struct Shared {
    db: PathBuf,
    run: RunRef,
    /// Connections that nobody uses now.
    idle: Mutex<Vec<Connection>>,
    waiting: Arc<Semaphore>,
    turns: Arc<Semaphore>,
}

impl Reader {
    pub(crate) fn new(db: PathBuf, run: RunRef) -> Reader {
        let (waiting, turns) = (Semaphore::new(AT_ONCE + MAY_WAIT), Semaphore::new(AT_ONCE));
        let shared = Shared { db, run, idle: Mutex::default(), waiting: Arc::new(waiting), turns: Arc::new(turns) };
        Reader { shared: Arc::new(shared) }
    }

    /// Opens the first connection and finds the run.
    ///
    /// # Errors
    /// When either cannot be done.
    pub(crate) async fn check(&self) -> Result<(), EndpointError> {
        let shared = self.shared.clone();
        let checked = tokio::task::spawn_blocking(move || {
            let connection = shared.connection()?;
            Snapshot::of(&connection, &shared.run).map(drop)?;
            shared.give_back(connection);
            Ok(())
        });
        checked.await.map_err(std::io::Error::other)?
    }

    /// Asks a question and makes its answer JSON, all on a blocking thread.
    pub(crate) async fn ask<T, Q>(&self, question: Q) -> Result<Vec<u8>, Refusal>
    where
        T: Serialize,
        Q: FnOnce(&Snapshot<'_>) -> Result<T, QuestionError> + Send + 'static,
    {
        let turn = self.turn().await?;
        let shared = self.shared.clone();
        let asked = tokio::task::spawn_blocking(move || {
            // The turn goes along: a client that hangs up does not make room for one more question before this one ends.
            let _turn = turn;
            shared.ask(question)
        });
        asked.await.map_err(|error| {
            tracing::error!(%error, "endpoint: a question died");
            Refusal::unavailable("the question could not be answered")
        })?
    }

    async fn turn(&self) -> Result<(OwnedSemaphorePermit, OwnedSemaphorePermit), Refusal> {
        let busy = || Refusal::unavailable("too many questions at once; ask again later");
        let waiting = self.shared.waiting.clone().try_acquire_owned().map_err(|_| busy())?;
        let turn = tokio::time::timeout(PATIENCE, self.shared.turns.clone().acquire_owned()).await;
        let turn = turn.map_err(|_| busy())?.map_err(|_| busy())?;
        Ok((waiting, turn))
    }
}

impl Shared {
    fn ask<T: Serialize>(
        &self,
        question: impl FnOnce(&Snapshot<'_>) -> Result<T, QuestionError>,
    ) -> Result<Vec<u8>, Refusal> {
        let connection = self.connection().map_err(|error| {
            tracing::warn!(%error, "endpoint: the database does not open");
            Refusal::unavailable(error.to_string())
        })?;
        let answer = Snapshot::of(&connection, &self.run).and_then(|snapshot| question(&snapshot));
        match answer {
            Ok(answer) => {
                self.give_back(connection);
                serde_json::to_vec(&answer).map_err(|error| {
                    tracing::error!(%error, "endpoint: an answer is no JSON");
                    Refusal::unavailable("the answer could not be written")
                })
            }
            Err(error) if error.is_askers() => {
                self.give_back(connection);
                Err(Refusal::bad_request(error.to_string()))
            }
            // The connection is not given back: the next question opens a new one, which also finds a database that was
            // replaced.
            Err(error) => {
                tracing::warn!(%error, "endpoint: the database does not answer");
                Err(Refusal::unavailable(error.to_string()))
            }
        }
    }

    fn connection(&self) -> Result<Connection, store::StoreError> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        if let Some(connection) = idle {
            return Ok(connection);
        }
        let connection = store::open_read(&self.db)?;
        connection.set_prepared_statement_cache_capacity(STATEMENTS);
        Ok(connection)
    }

    fn give_back(&self, connection: Connection) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(connection);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::StatusCode;

    /// Time is paused: it passes at once when nothing else can happen.
    #[tokio::test(start_paused = true)]
    async fn what_is_too_much_is_refused_and_what_waits_too_long_too() {
        let reader = Reader::new("/nonexistent".into(), RunRef::Newest);
        let mut turns = Vec::new();
        for _ in 0..AT_ONCE {
            turns.push(reader.turn().await.unwrap());
        }
        let waiting: Vec<_> = (0..MAY_WAIT)
            .map(|_| {
                let reader = reader.clone();
                tokio::spawn(async move { reader.turn().await.map(drop) })
            })
            .collect();
        while reader.shared.waiting.available_permits() > 0 {
            tokio::task::yield_now().await;
        }
        assert_eq!(reader.turn().await.unwrap_err().status, StatusCode::SERVICE_UNAVAILABLE);

        // Nobody gives a turn back: all who wait are told so once their patience is over.
        for waited in waiting {
            assert_eq!(waited.await.unwrap().unwrap_err().status, StatusCode::SERVICE_UNAVAILABLE);
        }
        // A turn that is given back is there for the next one.
        turns.pop();
        assert!(reader.turn().await.is_ok());
    }

    #[tokio::test]
    async fn a_database_that_does_not_open_is_told() {
        let reader = Reader::new("/nonexistent/run.db".into(), RunRef::Newest);
        let refusal = reader.ask(|run| run.slots()).await.unwrap_err();
        assert_eq!(refusal.status, StatusCode::SERVICE_UNAVAILABLE);
        assert!(refusal.error.starts_with("/nonexistent/run.db: "), "{}", refusal.error);
    }
}
