//! One input file, opened for reading only.

use std::fmt::Debug;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::ReadError;

/// Where inputs lie. Everything is read from [`Disk`] but where storage itself is what is measured.
pub trait Storage: Sync {
    /// Open a file for reading.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Bytes>>;
}

/// The bytes of one file.
pub trait Bytes: Debug + Send + Sync {
    /// How many there are.
    fn size(&self) -> io::Result<u64>;
    /// Some of them from `offset` on, as [`Read::read`] does; 0 at the end.
    fn some(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize>;
}

/// A file of the file system. Seek and read are used instead of positioned reads because they behave alike on every system; nobody
/// else may seek between them.
#[derive(Debug)]
struct OnDisk(Mutex<File>);

impl OnDisk {
    fn file(&self) -> MutexGuard<'_, File> {
        // Who panicked has not left the file in any state that counts.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Bytes for OnDisk {
    fn size(&self) -> io::Result<u64> {
        Ok(self.file().metadata()?.len())
    }

    fn some(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        let mut file = self.file();
        file.seek(SeekFrom::Start(offset))?;
        file.read(buffer)
    }
}

/// The file system.
#[derive(Debug)]
pub struct Disk;

impl Storage for Disk {
    fn open(&self, path: &Path) -> io::Result<Box<dyn Bytes>> {
        Ok(Box::new(OnDisk(Mutex::new(File::open(path)?))))
    }
}

/// An input with its size. Every read names its offset, so that no reader depends on what another one did before.
#[derive(Debug)]
pub(crate) struct Source {
    file: Box<dyn Bytes>,
    path: String,
    len: u64,
}

impl Source {
    /// Open a regular file. Pipes and devices are refused before they are opened: opening a pipe would wait for its writer.
    pub(crate) fn open(path: &Path) -> Result<Source, ReadError> {
        Source::open_in(&Disk, path)
    }

    /// The same in other storage.
    pub(crate) fn open_in(storage: &dyn Storage, path: &Path) -> Result<Source, ReadError> {
        let name = path.display().to_string();
        let io = |source| ReadError::Io {
            path: name.clone(),
            source,
        };
        if !std::fs::metadata(path).map_err(io)?.is_file() {
            return Err(ReadError::Unsupported {
                path: name,
                chunk: "file".into(),
                offset: 0,
                what: "not a regular file".into(),
            });
        }
        let file = storage.open(path).map_err(io)?;
        let len = file.size().map_err(io)?;
        Ok(Source {
            file,
            path: name,
            len,
        })
    }

    /// Size when it was opened.
    pub(crate) fn len(&self) -> u64 {
        self.len
    }

    /// Path for messages.
    pub(crate) fn path(&self) -> &str {
        &self.path
    }

    /// Fill `buffer` from `offset` on; returns how many bytes there were before the end of the file.
    pub(crate) fn read_at(&self, buffer: &mut [u8], offset: u64) -> io::Result<usize> {
        let mut have = 0;
        while have < buffer.len() {
            match self.file.some(&mut buffer[have..], offset + have as u64) {
                Ok(0) => break,
                Ok(n) => have += n,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(have)
    }

    /// Up to `len` bytes from `offset` on, fewer at the end of the file. The caller bounds `len`.
    pub(crate) fn bytes(&self, offset: u64, len: u64) -> Result<Vec<u8>, ReadError> {
        let len = len.min(self.len.saturating_sub(offset));
        let mut bytes = vec![0u8; usize::try_from(len).unwrap_or(0)];
        let have = self
            .read_at(&mut bytes, offset)
            .map_err(|source| self.io(source))?;
        bytes.truncate(have);
        Ok(bytes)
    }

    /// A system error with this file's name.
    pub(crate) fn io(&self, source: io::Error) -> ReadError {
        ReadError::Io {
            path: self.path.clone(),
            source,
        }
    }

    /// Bytes that contradict the format.
    pub(crate) fn malformed(&self, chunk: &str, offset: u64, what: impl Into<String>) -> ReadError {
        ReadError::Malformed {
            path: self.path.clone(),
            chunk: chunk.into(),
            offset,
            what: what.into(),
        }
    }

    /// A valid file that cannot be analysed.
    pub(crate) fn unsupported(
        &self,
        chunk: &str,
        offset: u64,
        what: impl Into<String>,
    ) -> ReadError {
        ReadError::Unsupported {
            path: self.path.clone(),
            chunk: chunk.into(),
            offset,
            what: what.into(),
        }
    }

    /// A size beyond what is sensible.
    pub(crate) fn limit(&self, chunk: &str, offset: u64, what: impl Into<String>) -> ReadError {
        ReadError::Limit {
            path: self.path.clone(),
            chunk: chunk.into(),
            offset,
            what: what.into(),
        }
    }
}

/// Little-endian u16 at `at`; 0 past the end.
pub(crate) fn u16_le(bytes: &[u8], at: usize) -> u16 {
    match bytes.get(at..at + 2) {
        Some(b) => u16::from_le_bytes([b[0], b[1]]),
        None => 0,
    }
}

/// Little-endian u32 at `at`; 0 past the end.
pub(crate) fn u32_le(bytes: &[u8], at: usize) -> u32 {
    match bytes.get(at..at + 4) {
        Some(b) => u32::from_le_bytes([b[0], b[1], b[2], b[3]]),
        None => 0,
    }
}

/// Little-endian u64 at `at`; 0 past the end.
pub(crate) fn u64_le(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_le(bytes, at)) | u64::from(u32_le(bytes, at + 4)) << 32
}

/// Big-endian u16 at `at`; 0 past the end.
pub(crate) fn u16_be(bytes: &[u8], at: usize) -> u16 {
    u16_le(bytes, at).swap_bytes()
}

/// Big-endian u32 at `at`; 0 past the end.
pub(crate) fn u32_be(bytes: &[u8], at: usize) -> u32 {
    u32_le(bytes, at).swap_bytes()
}

/// A four-character identifier for messages: printable characters as they are, others as `\xNN`.
pub(crate) fn id_text(id: &[u8]) -> String {
    id.escape_ascii().to_string()
}

/// Text of unstated encoding: UTF-8 if it is that, else Windows-1252 read as Latin-1; ends at the first NUL.
pub(crate) fn text(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
    let bytes = &bytes[..end];
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|&b| char::from(b)).collect(),
    }
    .trim_end()
    .to_owned()
}
