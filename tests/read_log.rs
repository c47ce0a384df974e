//! Reads the log of a board, frames of `defmt`, with the public decoder: the image tells what the numbers in them mean.
//!
//! Arguments: the image as it was linked, the file of frames. Prints a line for each frame, level first.
//! Exit code: 0, or 2 when something cannot be read.

use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use defmt_decoder::{DecodeError, Table};

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [image, frames] = arguments.as_slice() else {
        eprintln!("give the image, and the file of frames that it wrote");
        return ExitCode::from(2);
    };
    match read(image, frames) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::from(2)
        }
    }
}

fn read(image: &str, frames: &str) -> Result<()> {
    let program = std::fs::read(image).with_context(|| image.to_owned())?;
    let table = Table::parse(&program).with_context(|| image.to_owned())?;
    let table =
        table.with_context(|| format!("{image} holds no words for a log: it was built without `defmt`"))?;
    let mut decoder = table.new_stream_decoder();
    decoder.received(&std::fs::read(frames).with_context(|| frames.to_owned())?);
    loop {
        match decoder.decode() {
            Ok(frame) => {
                let level = frame.level().map_or("", |level| level.as_str());
                println!("{level} {}", frame.display_message());
            }
            Err(DecodeError::UnexpectedEof) => return Ok(()),
            Err(DecodeError::Malformed) => bail!("{frames} holds a frame that this image did not write"),
        }
    }
}
