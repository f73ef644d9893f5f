//! The end of the process: signals, the time limit of the shutdown, and the immediate exit.

use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{mpsc, oneshot};

use super::motor_stop::MotorStops;

/// Time limit of the shutdown, of which the joints may take half to come to rest.
const END: Duration = Duration::from_secs(8);
/// Time limit of an immediate exit.
const LAST_MOMENT: Duration = Duration::from_millis(500);

/// Ends the process on SIGINT or SIGTERM: the first signal begins the shutdown, a second one exits
/// at once, and a shutdown that takes longer than [`END`] is cut short. Runs on its own thread,
/// which uses the middleware for the last zeros alone, so that nothing can block it before.
pub struct Ending {
    /// Receives the name of the first signal.
    pub signal: mpsc::UnboundedReceiver<&'static str>,
    begin: Option<oneshot::Sender<()>>,
}

impl Ending {
    /// Starts the thread; `stops` serves an exit that is cut short.
    pub fn new(stops: MotorStops) -> std::io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let (mut interrupt, mut terminate) = {
            let _guard = runtime.enter();
            (
                signal(SignalKind::interrupt())?,
                signal(SignalKind::terminate())?,
            )
        };
        let (tell, signal) = mpsc::unbounded_channel();
        let (begin, begun) = oneshot::channel();
        let watch = async move {
            let mut next = async || {
                tokio::select! {
                    _ = interrupt.recv() => "SIGINT",
                    _ = terminate.recv() => "SIGTERM",
                }
            };
            tokio::select! {
                name = next() => {
                    // The receiver is gone only if the shutdown has already begun.
                    let _ = tell.send(name);
                }
                _ = begun => {}
            }
            let why = tokio::select! {
                name = next() => format!("{name} again: exiting at once"),
                () = tokio::time::sleep(END) => {
                    format!("not shut down after {} s: exiting anyway", END.as_secs())
                }
            };
            cut_short(&why, &stops);
        };
        std::thread::Builder::new()
            .name("ending".into())
            .spawn(move || runtime.block_on(watch))?;
        Ok(Self {
            signal,
            begin: Some(begin),
        })
    }

    /// Starts the time limit of the shutdown, once.
    pub fn begin(&mut self) {
        if let Some(begin) = self.begin.take() {
            let _ = begin.send(());
        }
    }
}

/// Halts the motors that take velocities, and exits the process with status 1.
fn cut_short(why: &str, stops: &MotorStops) {
    // Neither the middleware, nor a blocking log, nor exit handlers may delay the exit.
    let _ = std::thread::Builder::new().spawn(|| {
        std::thread::sleep(LAST_MOMENT);
        let _ = nix::sys::signal::raise(nix::sys::signal::Signal::SIGKILL);
    });
    stops.halt_all();
    tracing::error!("{why}");
    std::process::exit(1);
}
