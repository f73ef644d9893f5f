//! The services that the loop answers itself: `~/hold`, `~/clear_faults` and `~/release_tension`.

use std::sync::Arc;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use r2r::ServiceRequest;
use r2r::std_srvs::srv::Trigger;
use tokio::time::Instant;

use super::faults::Words;
use super::status::{Answer, Status};
use crate::control::tick::{Mode, ReleaseRefusal};
use crate::runtime::link::{Handle, LoopRequest};
use crate::runtime::rt::Clock;

/// Machine time without progress after which simulated time stands.
const STANDS: Duration = Duration::from_millis(500);
/// Time limit for the loop to see a request and to answer it.
const PATIENCE: Duration = Duration::from_secs(3);

/// Passes requests to the loop of one joint.
pub struct Requester {
    /// Fully qualified name of the joint's node.
    pub joint: String,
    /// Names of the motors, the pan's last.
    pub motor_names: Vec<String>,
    /// Handle of the loop.
    pub handle: Handle,
    /// Clock of the loop.
    pub clock: Clock,
    /// Status shared with other threads.
    pub status: Arc<Status>,
}

impl Requester {
    /// Answers requests of one kind until they end.
    pub async fn answer(
        &self,
        ask: LoopRequest,
        mut requests: BoxStream<'static, ServiceRequest<Trigger::Service>>,
    ) {
        while let Some(request) = requests.next().await {
            let answered = match ask {
                LoopRequest::Hold => self.hold().await,
                LoopRequest::Clear => self.clear().await,
                LoopRequest::ReleaseTension => self.release_tension().await,
            };
            let success = answered.is_ok();
            let message = answered.unwrap_or_else(|reason| reason);
            let joint = &self.joint;
            if success {
                tracing::info!(joint, "{message}")
            } else {
                tracing::warn!(joint, "{message}")
            }
            self.check(request.respond(Trigger::Response { success, message }));
        }
    }

    /// Logs a reply that could not be sent.
    pub fn check(&self, sent: r2r::Result<()>) {
        if let Err(error) = sent {
            let joint = &self.joint;
            tracing::warn!(joint, "a service's reply could not be sent: {error}");
        }
    }

    /// Sends a request to the loop; waits until a tick has seen it and `told` accepts the loop's
    /// answer.
    async fn ask(
        &self,
        ask: LoopRequest,
        told: impl Fn(&Answer, u64) -> bool,
    ) -> Result<Answer, String> {
        if self.handle.ended() {
            return Err(
                "no control loop runs, and nothing moves: the node is not configured".into(),
            );
        }
        let number = self.handle.ask(ask);
        let (start, time) = (Instant::now(), self.clock.now());
        loop {
            let answer = self.status.answer();
            if self.handle.seen(ask, number) && told(&answer, number) {
                return Ok(answer);
            }
            let stood = self.clock.is_simulated() && self.clock.now() == time;
            if stood && start.elapsed() > STANDS {
                return Err(
                    "simulated time stands still, and so does the joint; the request is carried \
                     out when it goes on"
                        .into(),
                );
            }
            if start.elapsed() > PATIENCE {
                return Err("the control loop does not answer".into());
            }
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    }

    /// Stops the reference.
    async fn hold(&self) -> Result<String, String> {
        self.ask(LoopRequest::Hold, |_, _| true).await?;
        Ok("the reference stops and is held until the next command".into())
    }

    /// Clears the faults whose cause has gone; succeeds if none is left.
    async fn clear(&self) -> Result<String, String> {
        let before = self.status.answer().faults;
        let seen = |answer: &Answer, number| answer.clear >= number;
        let answer = self.ask(LoopRequest::Clear, seen).await?;
        let (supervision, _) = self.status.supervision();
        let words = Words {
            supervision: &supervision,
            motor_names: &self.motor_names,
        };
        let left = words.latched(&answer.faults);
        match (left.is_empty(), words.names_of_latched(&before)) {
            (true, none) if none.is_empty() => Ok("no fault was latched".into()),
            (true, names) => Ok(format!("cleared: {names}; a new command moves the joint")),
            (false, _) => Err(format!("not cleared: {}", left.join("; "))),
        }
    }

    /// Starts the release of tension.
    async fn release_tension(&self) -> Result<String, String> {
        let seen = |answer: &Answer, number| answer.release_tension >= number;
        let answer = self.ask(LoopRequest::ReleaseTension, seen).await?;
        let (_, self_support) = self.status.supervision();
        let Some(reason) = answer.release_refusal else {
            return Ok(match answer.mode {
                Mode::Released => format!("the tendons are released; {self_support}"),
                _ => format!(
                    "the tendons are being released, which takes some seconds; {self_support}"
                ),
            });
        };
        let why = match reason {
            ReleaseRefusal::NotDriven => {
                return Err(
                    "the tendons are not released: the joint is not driven; accepted: requests to \
                     an active node"
                        .into(),
                );
            }
            ReleaseRefusal::NotKnown | ReleaseRefusal::NotCarried => self_support.to_string(),
            ReleaseRefusal::Tilted => {
                "the base is tilted further than the beam alone can carry the head, or its IMU is \
                 silent"
                    .into()
            }
            ReleaseRefusal::Travel => {
                "the travel of a motor (limits.<motor>.travel_low) ends before its tendon is slack"
                    .into()
            }
            ReleaseRefusal::MotorStale => "an encoder is silent".into(),
        };
        Err(format!(
            "the tendons are not released, and the joint holds: {why}"
        ))
    }
}
