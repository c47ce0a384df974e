//! A board behind a program: what the program writes comes from the board, what it reads goes there.
//!
//! Nothing here waits for ever: an answer that does not come within [`Limits::answer`] is an error, as is one that comes
//! broken, a program that has ended, and a board that refuses. Each error says in which cycle, and what the program
//! last wrote to its error output.

use std::collections::VecDeque;
use std::fmt;
use std::io::{Read, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow, bail};
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::cycle::{CycleInput, CycleOutput, Witness};
use stackhold_kernel::telemetry;

use super::exchange::{
    CYCLE, END, Loaded, OUTPUT, READY, REFUSALS, REFUSED, SELECTION, TABLE, TAKE_UP, show_selection,
};
use super::frame::{Broken, Head, Line, Load, receive, send};
use super::recording::{Words, write_cycle, write_flight};
use crate::closed_loop::Kernel;
use crate::table::JETS;

/// How long the host waits.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// For the board to start and take its table.
    pub start: Duration,
    /// For one answer.
    pub answer: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { start: Duration::from_secs(20), answer: Duration::from_secs(10) }
    }
}

/// A kernel on a board behind a program.
pub struct BoardKernel {
    line: ChildLine,
    load: Load,
    limits: Limits,
    /// Of the flight.
    name: String,
    number: u8,
    identity: u32,
    cycles: u32,
}

impl BoardKernel {
    /// Starts the program and tells its board a table.
    ///
    /// * `command` — the program and its arguments; at least the program.
    ///
    /// # Errors
    /// The program cannot be started, or the board does not take the table.
    pub fn start(
        command: &[String],
        name: &str,
        table: &ConfigurationTable<JETS>,
        limits: Limits,
    ) -> Result<Self> {
        let line = ChildLine::start(command)?;
        let load = Load::default();
        let mut board = Self {
            line,
            load,
            limits,
            name: name.to_owned(),
            number: 0,
            identity: table.identity,
            cycles: 0,
        };
        board.tell(TABLE, table, limits.start).context("the board was told its table")?;
        Ok(board)
    }

    /// Tells the board a table.
    fn tell(&mut self, kind: u8, table: &ConfigurationTable<JETS>, within: Duration) -> Result<()> {
        self.load.clear();
        write_flight(&self.name, table, &mut |word| self.load.put(word));
        let identity = self.ask(kind, within).and_then(|kind| self.told_number(kind))?;
        if identity != table.identity {
            bail!("it was told table {:#010x} and answers {identity:#010x}", table.identity);
        }
        self.identity = identity;
        Ok(())
    }

    /// Tells the board that there is no more, and waits for its program to end.
    ///
    /// # Errors
    /// The board has not run as many cycles as it was asked to, or its program ends badly.
    pub fn end(mut self) -> Result<u32> {
        self.load.clear();
        let said = self.ask(END, self.limits.answer).and_then(|kind| self.told_number(kind));
        let cycles = said.context("the board was told that there is no more")?;
        if cycles != self.cycles {
            bail!("the board has run {cycles} cycles, not {}", self.cycles);
        }
        self.line.wait(self.limits.answer)?;
        Ok(cycles)
    }

    /// Sends the load and waits for the first frame of the answer, which takes its place.
    fn ask(&mut self, kind: u8, within: Duration) -> Result<u8> {
        self.number = self.number.wrapping_add(1);
        self.line.deadline = Instant::now() + within;
        send(&mut self.line, kind, self.number, &mut self.load).map_err(|lost| self.line.told(&lost))?;
        self.hear()
    }

    /// The next frame of the answer.
    fn hear(&mut self) -> Result<u8> {
        let head = receive(&mut self.line, &mut self.load);
        let Head { kind, number, .. } = head.map_err(|broken| self.line.broken(&broken))?;
        if number != self.number {
            bail!("the answer is number {number}, the question was {}", self.number);
        }
        if kind == REFUSED {
            let reason = Loaded(self.load.bytes()).word().and_then(|reason| usize::try_from(reason).ok());
            let reason = reason.and_then(|reason| REFUSALS.get(reason)).unwrap_or(&"for no reason it gives");
            bail!("the board refuses: {reason}");
        }
        Ok(kind)
    }

    /// The one number of a ready board.
    fn told_number(&self, kind: u8) -> Result<u32> {
        let number = Loaded(self.load.bytes()).word();
        number
            .filter(|_| kind == READY)
            .with_context(|| format!("an answer of kind {kind} that does not fit"))
    }

    fn exchange(&mut self, input: &CycleInput, witness: &mut impl Witness) -> Result<CycleOutput<JETS>> {
        self.load.clear();
        write_cycle(input, &mut |word| self.load.put(word));
        let mut kind = self.ask(CYCLE, self.limits.answer)?;
        while kind == SELECTION {
            show_selection::<JETS>(&mut Loaded(self.load.bytes()), witness)
                .map_err(|malformed| anyhow!("a selection that cannot be read: {malformed:?}"))?;
            kind = self.hear()?;
        }
        if kind != OUTPUT {
            bail!("an answer of kind {kind} that does not fit");
        }
        let (output, identity) =
            telemetry::read(self.load.bytes()).context("a telemetry record that cannot be read")?;
        if identity != self.identity {
            bail!("the board flies table {identity:#010x}, not {:#010x}", self.identity);
        }
        Ok(output)
    }
}

impl Kernel for BoardKernel {
    fn cycle<W: Witness>(&mut self, input: &CycleInput, witness: &mut W) -> Result<CycleOutput<JETS>> {
        let output = self.exchange(input, witness);
        let output =
            output.with_context(|| format!("cycle {} (tick {}) on the board", self.cycles, input.tick))?;
        self.cycles += 1;
        Ok(output)
    }

    fn take_up(&mut self, table: &ConfigurationTable<JETS>) -> Result<()> {
        let within = self.limits.start;
        self.tell(TAKE_UP, table, within).context("the board was told another table")
    }
}

/// Why bytes do not come or go.
#[derive(Debug)]
enum Lost {
    /// None came in time.
    Late,
    /// The program has closed its output.
    Ended,
    /// Nothing can be written to it.
    Unwritten(std::io::Error),
}

impl fmt::Display for Lost {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Late => f.write_str("no answer came in time"),
            Self::Ended => f.write_str("the board's program has closed its output"),
            Self::Unwritten(error) => write!(f, "the board's program does not read: {error}"),
        }
    }
}

/// Last bytes of the error output that are kept.
const WORDS_KEPT: usize = 400;

/// The program's standard input and output as a line.
struct ChildLine {
    program: Child,
    input: ChildStdin,
    pieces: Receiver<Vec<u8>>,
    /// What has come and is not yet read.
    come: VecDeque<u8>,
    deadline: Instant,
    last_words: Arc<Mutex<Vec<u8>>>,
    /// Closed when the program has closed its error output.
    silence: Receiver<()>,
}

impl ChildLine {
    fn start(command: &[String]) -> Result<Self> {
        let (program, arguments) = command.split_first().context("no program was named for the board")?;
        let mut started = Command::new(program);
        started.args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut program =
            started.spawn().with_context(|| format!("the board's program {program} cannot be started"))?;
        let (Some(input), Some(mut output), Some(mut errors)) =
            (program.stdin.take(), program.stdout.take(), program.stderr.take())
        else {
            bail!("the board's program has no pipes");
        };
        let (send, pieces) = channel();
        // Both readers end with the program, whose pipes they read.
        std::thread::spawn(move || {
            let mut piece = [0; 4096];
            while let Ok(count @ 1..) = output.read(&mut piece) {
                if send.send(piece[..count].to_vec()).is_err() {
                    break;
                }
            }
        });
        let last_words = Arc::new(Mutex::new(Vec::new()));
        let (said_all, silence) = channel();
        let kept = Arc::clone(&last_words);
        std::thread::spawn(move || {
            let mut piece = [0; 256];
            while let Ok(count @ 1..) = errors.read(&mut piece) {
                let Ok(mut kept) = kept.lock() else { break };
                kept.extend_from_slice(&piece[..count]);
                let surplus = kept.len().saturating_sub(WORDS_KEPT);
                kept.drain(..surplus);
            }
            drop(said_all);
        });
        let (come, deadline) = (VecDeque::new(), Instant::now());
        Ok(Self { program, input, pieces, come, deadline, last_words, silence })
    }

    /// Waits for the program to end well.
    fn wait(&mut self, within: Duration) -> Result<()> {
        let deadline = Instant::now() + within;
        loop {
            match self.program.try_wait().context("the board's program cannot be waited for")? {
                Some(status) if status.success() => return Ok(()),
                Some(status) => {
                    let _ = self.silence.recv_timeout(Duration::from_millis(200));
                    bail!("the board's program ended with {status}{}", self.words());
                }
                None if Instant::now() > deadline => bail!("the board's program does not end"),
                None => std::thread::sleep(Duration::from_millis(2)),
            }
        }
    }

    fn told(&mut self, lost: &Lost) -> anyhow::Error {
        // The end of its output is seen a moment before its own.
        let patience = if matches!(lost, Lost::Late) { 0 } else { 200 };
        let deadline = Instant::now() + Duration::from_millis(patience);
        let status = loop {
            match self.program.try_wait() {
                Ok(None) if Instant::now() < deadline => std::thread::sleep(Duration::from_millis(2)),
                Ok(Some(status)) => {
                    let _ = self.silence.recv_timeout(Duration::from_millis(200));
                    break format!("; it ended with {status}");
                }
                _ => break String::new(),
            }
        };
        anyhow!("{lost}{status}{}", self.words())
    }

    fn broken(&mut self, broken: &Broken<Lost>) -> anyhow::Error {
        match broken {
            Broken::Line(lost) => self.told(lost),
            Broken::Marker(found) => {
                let text = self.text_after(found);
                anyhow!("a broken frame: it begins with {found:02x?}, as text {text:?}{}", self.words())
            }
            Broken::Length(length) => anyhow!("a broken frame: it claims {length} bytes"),
            Broken::Checksum { carried, found } => {
                anyhow!("a broken frame: checksum {carried:#010x}, but its bytes give {found:#010x}")
            }
        }
    }

    /// What came in place of a frame, as text: a board that gives up may say why in words.
    fn text_after(&mut self, begun: &[u8]) -> String {
        let mut bytes = begun.to_vec();
        self.deadline = Instant::now() + Duration::from_millis(200);
        while let Some(byte) = self.receive().ok().filter(|_| bytes.len() < WORDS_KEPT) {
            bytes.push(byte);
        }
        String::from_utf8_lossy(&bytes).trim().to_owned()
    }

    /// What the program last wrote to its error output.
    fn words(&self) -> String {
        let kept = self.last_words.lock().map(|kept| String::from_utf8_lossy(&kept).trim().to_owned());
        kept.ok()
            .filter(|words| !words.is_empty())
            .map_or(String::new(), |words| format!("; it said: {words}"))
    }
}

impl Line for ChildLine {
    type Error = Lost;

    fn receive(&mut self) -> Result<u8, Lost> {
        loop {
            if let Some(byte) = self.come.pop_front() {
                return Ok(byte);
            }
            let left = self.deadline.saturating_duration_since(Instant::now());
            match self.pieces.recv_timeout(left) {
                Ok(piece) => self.come.extend(piece),
                Err(RecvTimeoutError::Timeout) => return Err(Lost::Late),
                Err(RecvTimeoutError::Disconnected) => return Err(Lost::Ended),
            }
        }
    }

    /// Questions are answered one by one and shorter than a pipe holds: writing does not wait.
    fn send(&mut self, bytes: &[u8]) -> Result<(), Lost> {
        self.input.write_all(bytes).map_err(Lost::Unwritten)
    }
}

impl Drop for ChildLine {
    fn drop(&mut self) {
        // Ended already, or of no more use: either way it is not left behind.
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}
