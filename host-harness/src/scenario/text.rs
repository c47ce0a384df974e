//! From the bytes of a file to its text.

use std::path::Path;

use super::problem::ScenarioError;

/// Largest file that is read, bytes; a scenario is a few kilobytes.
const LARGEST_FILE: usize = 4 << 20;

/// Reads a file as UTF-8, without a byte-order mark and with `\n` at line ends.
pub(super) fn read(path: &Path) -> Result<String, ScenarioError> {
    let unreadable = |cause: String, remedy: &str| ScenarioError::Unreadable {
        path: path.to_owned(),
        cause,
        remedy: remedy.to_owned(),
    };
    if path.is_dir() {
        return Err(unreadable("it is a folder".to_owned(), "the path of a scenario file inside it"));
    }
    let bytes = std::fs::read(path)
        .map_err(|error| unreadable(error.to_string(), "a file that exists and that you may read"))?;
    if bytes.len() > LARGEST_FILE {
        let cause = format!("it has {} bytes", bytes.len());
        return Err(unreadable(cause, "a scenario of a few kilobytes (at most 4 MiB)"));
    }
    decode(bytes).map_err(|cause| unreadable(cause, "the file saved as UTF-8 text"))
}

/// Bytes to text; the error says which byte on which line is not UTF-8.
fn decode(bytes: Vec<u8>) -> Result<String, String> {
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        return Err("it is UTF-16".to_owned());
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let bytes = error.as_bytes();
        let line = bytes[..at].iter().filter(|&&byte| byte == b'\n').count() + 1;
        let line_start = bytes[..at].iter().rposition(|&byte| byte == b'\n').map_or(0, |newline| newline + 1);
        format!("line {line}, byte {}: 0x{:02X} is not UTF-8", at - line_start + 1, bytes[at])
    })?;
    Ok(tidy(&text))
}

/// Without a byte-order mark, and with `\n` at line ends; lines and columns stay what they were.
pub(super) fn tidy(text: &str) -> String {
    text.strip_prefix('\u{feff}').unwrap_or(text).replace("\r\n", "\n")
}
