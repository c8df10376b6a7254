//! Signals that end work which goes on by itself.

use std::io;

/// SIGTERM.
#[cfg(unix)]
pub const TERMINATE: i32 = signal_hook::consts::SIGTERM;
/// SIGINT, as Ctrl-C sends it.
#[cfg(unix)]
pub const INTERRUPT: i32 = signal_hook::consts::SIGINT;
/// No signal here.
#[cfg(not(unix))]
pub const TERMINATE: i32 = 0;
/// No signal here.
#[cfg(not(unix))]
pub const INTERRUPT: i32 = 0;

/// From now on `act` is called at each of these signals, instead of what they do otherwise.
///
/// # Errors
/// When the system does not let it listen.
#[cfg(unix)]
pub fn at(signals: &[i32], act: impl Fn() + Send + 'static) -> io::Result<()> {
    let mut signals = signal_hook::iterator::Signals::new(signals)?;
    let wait = move || signals.forever().for_each(|_| act());
    std::thread::Builder::new().name("signals".to_owned()).spawn(wait).map(|_| ())
}

/// There are none here.
#[cfg(not(unix))]
pub fn at(_: &[i32], _: impl Fn() + Send + 'static) -> io::Result<()> {
    Ok(())
}
