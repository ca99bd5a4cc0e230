//! The emulator's test socket: lines that read and write the machine's memory.

use std::io::{self, BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::time::Duration;

use base64::prelude::{BASE64_STANDARD as BASE64, Engine as _};

/// Longest wait for an answer. Nothing asked here takes the emulator above a second.
const ANSWER_MAX: Duration = Duration::from_secs(60);

/// One connection; each request is a line, each answer a line that begins with `OK`.
pub struct TestSocket {
    stream: BufReader<UnixStream>,
}

impl TestSocket {
    pub fn new(stream: UnixStream) -> io::Result<Self> {
        stream.set_nonblocking(false)?;
        stream.set_read_timeout(Some(ANSWER_MAX))?;
        stream.set_write_timeout(Some(ANSWER_MAX))?;
        Ok(Self {
            stream: BufReader::new(stream),
        })
    }

    pub fn read_word(&mut self, address: u32) -> io::Result<u32> {
        let answer = self.ask(&format!("readl 0x{address:x}"))?;
        let digits = answer.trim_start_matches("0x");
        // The socket prints the word in 64 bits.
        let word = u64::from_str_radix(digits, 16).ok();
        word.and_then(|word| u32::try_from(word).ok())
            .ok_or_else(|| unexpected(&answer))
    }

    pub fn write_word(&mut self, address: u32, value: u32) -> io::Result<()> {
        self.ask(&format!("writel 0x{address:x} 0x{value:x}"))?;
        Ok(())
    }

    pub fn write_bytes(&mut self, address: u32, bytes: &[u8]) -> io::Result<()> {
        if bytes.is_empty() {
            return Ok(());
        }
        let digits = BASE64.encode(bytes);
        let line = format!("b64write 0x{address:x} 0x{:x} {digits}", bytes.len());
        self.ask(&line)?;
        Ok(())
    }

    pub fn read_bytes(&mut self, address: u32, bytes: &mut [u8]) -> io::Result<()> {
        if bytes.is_empty() {
            return Ok(());
        }
        let answer = self.ask(&format!("b64read 0x{address:x} 0x{:x}", bytes.len()))?;
        match BASE64.decode_slice(&answer, bytes) {
            Ok(length) if length == bytes.len() => Ok(()),
            _ => Err(unexpected(&answer)),
        }
    }

    /// Sends one line and gives what follows `OK`.
    fn ask(&mut self, line: &str) -> io::Result<String> {
        let stream = self.stream.get_mut();
        stream.write_all(line.as_bytes())?;
        stream.write_all(b"\n")?;
        let mut answer = String::new();
        if self.stream.read_line(&mut answer)? == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        match answer.trim_end().strip_prefix("OK") {
            Some(rest) => Ok(rest.trim_start().to_owned()),
            None => Err(unexpected(&answer)),
        }
    }
}

fn unexpected(answer: &str) -> io::Error {
    let start: String = answer.chars().take(60).collect();
    io::Error::new(
        io::ErrorKind::InvalidData,
        format!("the test socket answered '{start}'"),
    )
}
