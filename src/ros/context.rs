//! The beginning of every participant on the graph: a context, a node that spins, and their errors.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use r2r::{Context, Node};

/// Longest wait of one spin for messages; also how soon a spinning thread notices that it should
/// stop: the bindings wait for messages alone, and nothing else can end their wait.
const SPIN: Duration = Duration::from_millis(20);

/// The reason why a node cannot run.
#[derive(Debug, thiserror::Error)]
pub enum NodeError {
    /// ROS rejected its arguments or could not start.
    #[error("ROS could not start: {0}")]
    Context(String),
    /// The middleware rejected a call.
    #[error("node {node}: {source}")]
    Graph {
        /// Name of the node.
        node: String,
        /// Error of the middleware.
        source: r2r::Error,
    },
    /// Security is enabled, and the node cannot be created.
    #[error(
        "node {node} cannot be created, and ROS_SECURITY_ENABLE is true ({source}): there are no \
         valid keys for its enclave under ROS_SECURITY_KEYSTORE ({keystore}), or the middleware \
         was built without security; README.md, Security, describes how to make keys"
    )]
    Security {
        /// Name of the node.
        node: String,
        /// Path of the keystore.
        keystore: String,
        /// Error of the middleware.
        source: r2r::Error,
    },
    /// Two joints have the same node name.
    #[error(
        "two joints have the node name {0}; give one of them another name or namespace, in its \
         file or with -r NAME:__ns:=/NAMESPACE"
    )]
    SameName(String),
    /// A parameter given at start is not accepted.
    #[error("parameter given at start to {node}: {reason}")]
    Parameter {
        /// Name of the node.
        node: String,
        /// Reason of the rejection.
        reason: String,
    },
    /// The operating system refused a thread or a signal handler.
    #[error("the system refuses what a node needs: {0}")]
    System(#[from] std::io::Error),
    /// A control loop ended by itself, or does not answer.
    #[error("the control loop of {0} does not run any more; see the log and /diagnostics")]
    LoopEnded(String),
    /// A thread or task has panicked; its words are on standard error.
    #[error("{0} has panicked (see standard error), and the process has shut down")]
    Panicked(String),
}

impl NodeError {
    /// Returns the function that names `node` in an error of the middleware.
    pub fn of(node: &str) -> impl Fn(r2r::Error) -> Self + Copy {
        move |source| Self::Graph {
            node: node.into(),
            source,
        }
    }
}

/// Returns the context of this process, created with the ROS arguments of its command line.
///
/// # Errors
/// ROS rejects its arguments or cannot start.
pub fn context() -> Result<Context, NodeError> {
    // The bindings panic where ROS rejects an argument; the panic message holds the reason.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let result = catch_unwind(AssertUnwindSafe(Context::create));
    std::panic::set_hook(hook);
    match result {
        Ok(Ok(context)) => Ok(context),
        Ok(Err(error)) => Err(NodeError::Context(error.to_string())),
        Err(panic) => {
            let text = panic.downcast_ref::<String>().cloned();
            let text = text.unwrap_or_else(|| "its arguments were refused".into());
            // ROS appends locations in its source code.
            let text = text.split(", at /").next().unwrap_or_default();
            Err(NodeError::Context(text.trim().to_string()))
        }
    }
}

/// A node that spins on its own thread until this value is dropped.
pub struct Spinner {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Spinner {
    /// Spins `node` on a new thread.
    ///
    /// # Errors
    /// The system refuses a thread.
    pub fn new(node: Node) -> std::io::Result<Self> {
        Self::watching(node, |_| {})
    }

    /// Spins `node`, and calls `each` after every spin.
    ///
    /// # Errors
    /// The system refuses a thread.
    pub fn watching(
        mut node: Node,
        each: impl FnMut(&Node) + Send + 'static,
    ) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = stop.clone();
        let thread = std::thread::Builder::new()
            .name("spin".into())
            .spawn(move || {
                // After a panic it is dropped before the node, which it may use then.
                let mut each = each;
                while !stopped.load(Ordering::Acquire) {
                    node.spin_once(SPIN);
                    each(&node);
                }
            })?;
        Ok(Self {
            stop,
            thread: Some(thread),
        })
    }
}

impl Drop for Spinner {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // The panic of that thread has already been printed.
            let _ = thread.join();
        }
    }
}
