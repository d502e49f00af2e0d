//! The socket file of a feed: made for owner and group, taken over from a daemon that was killed, removed at the end.

use crate::BindError;
use std::fs;
use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::net::UnixListener;

/// Owner and group may connect. A socket is made with the umask applied and gets this right after: it is never open to
/// everybody in between, unless the umask says so.
const MODE: u32 = 0o660;

/// A socket file that goes away with its listener.
#[derive(Debug)]
pub(crate) struct SocketFile {
    path: PathBuf,
    device_and_inode: (u64, u64),
}

impl Drop for SocketFile {
    fn drop(&mut self) {
        // Whoever has put another file there meanwhile keeps it.
        if identity(&self.path).is_ok_and(|now| now == self.device_and_inode) {
            // A file that cannot be removed is taken over by the next start.
            let _ = fs::remove_file(&self.path);
        }
    }
}

fn identity(path: &Path) -> io::Result<(u64, u64)> {
    fs::symlink_metadata(path).map(|metadata| (metadata.dev(), metadata.ino()))
}

pub(crate) fn listen_on(feed: &Arc<str>, path: &Path) -> Result<(UnixListener, SocketFile), BindError> {
    let failed = |source| BindError::Unix { feed: feed.clone(), path: path.to_owned(), source };
    match fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(failed(error)),
        Ok(found) if !found.file_type().is_socket() => {
            return Err(BindError::NotASocket { feed: feed.clone(), path: path.to_owned() });
        }
        // Only a refused connection proves that nobody listens.
        Ok(_) => match UnixStream::connect(path) {
            Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => fs::remove_file(path).map_err(failed)?,
            Ok(_) => return Err(BindError::InUse { feed: feed.clone(), path: path.to_owned() }),
            Err(error) => return Err(failed(error)),
        },
    }
    let listener = UnixListener::bind(path).map_err(failed)?;
    let file = SocketFile { path: path.to_owned(), device_and_inode: identity(path).map_err(failed)? };
    fs::set_permissions(path, fs::Permissions::from_mode(MODE)).map_err(failed)?;
    Ok((listener, file))
}
