//! The program: the library's command line and its exit code.

use std::io;
use std::process::ExitCode;

use gonogo::cli::{self, Exit};

fn main() -> ExitCode {
    let exit = match cli::run(std::env::args_os()) {
        Ok(exit) => exit,
        Err(error) if is_broken_pipe(&error) => Exit::Passed,
        Err(error) => {
            cli::tell(&error);
            Exit::Unjudged
        }
    };
    ExitCode::from(exit.code())
}

/// Whoever reads the output has seen enough, as in `gonogo explain | head -1`.
fn is_broken_pipe(error: &anyhow::Error) -> bool {
    let kind = |cause: &(dyn std::error::Error + 'static)| cause.downcast_ref::<io::Error>().map(io::Error::kind);
    error.chain().any(|cause| kind(cause) == Some(io::ErrorKind::BrokenPipe))
}
