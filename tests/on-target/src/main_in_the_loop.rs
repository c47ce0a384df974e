//! The kernel in a closed loop with a simulator on the host: an image for boards with semihosting.
#![cfg_attr(target_os = "none", no_std)]
#![cfg_attr(target_os = "none", no_main)]

#[cfg(target_os = "none")]
mod board;
#[cfg(target_os = "none")]
#[path = "board/conversation.rs"]
mod conversation;

/// Answers the host until it has no more.
#[cfg(target_os = "none")]
fn on_board() -> Result<(), &'static str> {
    use stackhold_on_target::{JETS, exchange};
    let mut line = conversation::Conversation::new().ok_or("the host has no standard input and output")?;
    match exchange::serve::<_, JETS>(&mut line) {
        Ok(_) => Ok(()),
        Err(exchange::Failure::Refused(reason)) => {
            Err(exchange::REFUSALS.get(reason as usize).copied().unwrap_or("refused"))
        }
        Err(_) => Err("a frame came broken"),
    }
}

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    eprintln!("an image for boards: tests/on-target/verify builds and runs it");
    std::process::ExitCode::from(2)
}
