//! A feed in a file: read from its beginning, then followed as it grows; read anew when it is replaced or cut short. A
//! FIFO is read until its last writer closes it, then opened for the next one. There is no way back to the sender.

use crate::down::Downtime;
use crate::output::Output;
use crate::stream::{End, READ_BYTES, serve};
use crate::threaded::{FromThread, News, start};
use crate::{FeedEvent, FeedSpec};
use std::fs::File;
use std::io::{ErrorKind, Read, Seek};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::sleep;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often the end of a file is looked at for more.
const FOLLOW: Duration = Duration::from_millis(50);

/// How often a file that is not there is looked for.
const RETRY: Duration = Duration::from_secs(1);

pub(crate) async fn run<T: From<FeedEvent> + Send>(spec: &Arc<FeedSpec>, output: &mut Output<T>, path: PathBuf) {
    let peer = path.display().to_string();
    let mut news = match start("feed-file", move |to| read_for_ever(&path, &to)) {
        Ok(news) => news,
        Err(error) => {
            tracing::error!(feed = %spec.name, "cannot start a thread: {error}");
            return;
        }
    };
    let mut down = Downtime::none(spec);
    loop {
        let next = tokio::select! {
            () = output.stopped() => break,
            next = news.recv() => next,
        };
        match next {
            Some(News::Began) => {
                down.end(output).await;
                let bytes = &mut FromThread::new(&mut news);
                if serve(spec, output, peer.clone(), bytes, None::<tokio::io::Sink>, Duration::ZERO).await
                    == End::Stopped
                {
                    break;
                }
            }
            Some(News::Failed(why)) => down.begin(format!("{peer}: {why}"), output).await,
            Some(News::Bytes(..) | News::Ended(_)) => {}
            None => break,
        }
    }
    down.end(output).await;
}

/// The thread: opens, reads to the end, and begins again, until nobody listens.
fn read_for_ever(path: &Path, to: &mpsc::Sender<News>) {
    while !to.is_closed() {
        // Opening a FIFO waits here until somebody opens it for writing.
        let told = match File::open(path) {
            Ok(file) => to.blocking_send(News::Began).and_then(|()| {
                let why = read_one(file, path, to);
                to.blocking_send(News::Ended(why))
            }),
            Err(error) => {
                let told = to.blocking_send(News::Failed(error.to_string()));
                sleep(RETRY);
                told
            }
        };
        if told.is_err() {
            return;
        }
    }
}

/// Reads one opening of the file, and says why that ended, unless its writers just closed it.
fn read_one(mut file: File, path: &Path, to: &mpsc::Sender<News>) -> Option<String> {
    let followed = match file.metadata() {
        Ok(metadata) => metadata.is_file(),
        Err(error) => return Some(error.to_string()),
    };
    let mut buffer = vec![0; READ_BYTES];
    loop {
        match file.read(&mut buffer) {
            Ok(0) if !followed => return None,
            Ok(0) if to.is_closed() => return None,
            Ok(0) if is_another(&mut file, path) => return Some("the file was replaced or cut short".to_owned()),
            Ok(0) => sleep(FOLLOW),
            Ok(length) => {
                let bytes = buffer.get(..length).unwrap_or_default().to_vec();
                if to.blocking_send(News::Bytes(clocks::mono(), bytes)).is_err() {
                    return None;
                }
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) => {
                // A directory opens but does not read: trying again at once would be a busy loop.
                sleep(RETRY);
                return Some(error.to_string());
            }
        }
    }
}

/// Whether the path names another file by now, or the file is shorter than what was read of it.
fn is_another(file: &mut File, path: &Path) -> bool {
    let (Ok(open), Ok(position)) = (file.metadata(), file.stream_position()) else { return true };
    // While a file is being replaced there may be none; the open one is still the best there is.
    let replaced = std::fs::metadata(path).is_ok_and(|now| (now.dev(), now.ino()) != (open.dev(), open.ino()));
    replaced || open.len() < position
}
