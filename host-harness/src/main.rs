//! `stackhold`: see the library's `cli` for what it does.

use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use stackhold_harness::cli::{Console, main_with_args};

fn main() -> ExitCode {
    let (mut out, mut err) = (std::io::stdout(), std::io::stderr());
    let (out_terminal, err_terminal) = (out.is_terminal(), err.is_terminal());
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    let colour = set("NO_COLOR").is_none() && set("TERM").is_none_or(|term| term != "dumb");
    let mut console = Console::terminal(&mut out, &mut err, out_terminal, err_terminal, colour);
    let code = main_with_args(std::env::args_os(), &mut console);
    // A closed pipe behind us is no reason to change the verdict.
    let _ = std::io::stdout().flush();
    ExitCode::from(u8::try_from(code).unwrap_or(2))
}
