//! Commands that run beside the service. It holds a part of the store in memory, so what changes
//! readings goes through it: over a socket in the data directory that only whoever may write there can
//! open, so no password is needed.

mod client;
mod server;
mod wire;

pub use client::Stores;
pub use server::LocalSocket;

use std::fs::File;
use std::os::fd::AsRawFd;
use std::path::{Path, PathBuf};

/// The socket's name in the data directory.
const NAME: &str = "larder.sock";

/// Bytes that the system takes as a socket's address, with room for what goes before and behind.
const LONGEST_ADDRESS: usize = 100;

/// An address of the socket that is short enough, and what must stay open for it to be one.
struct Address {
    path: PathBuf,
    _folder: Option<File>,
}

/// Where the socket of a data directory is. A folder deep down is reached by the number under which
/// this process has it open.
fn address(data: &Path) -> std::io::Result<Address> {
    let path = data.join(NAME);
    if path.as_os_str().len() <= LONGEST_ADDRESS {
        return Ok(Address {
            path,
            _folder: None,
        });
    }
    let folder = File::open(data)?;
    let path = Path::new("/proc/self/fd")
        .join(folder.as_raw_fd().to_string())
        .join(NAME);
    Ok(Address {
        path,
        _folder: Some(folder),
    })
}
