//! What the loop itself answers: `~/hold`, `~/clear_faults` and `~/release_tension`.

use std::sync::Arc;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use r2r::ServiceRequest;
use r2r::std_srvs::srv::Trigger;
use tokio::time::Instant;

use super::faults::Words;
use super::status::{Answer, Status};
use crate::link::{Handle, LoopRequest};
use crate::rt::Clock;
use crate::tick::{Mode, ReleaseRefusal};

/// Time without any simulated time after which that stands.
const STANDS: Duration = Duration::from_millis(500);
/// How long the loop may take to see a request, and to say what it did.
const PATIENCE: Duration = Duration::from_secs(3);

/// Requests the loop of one joint.
pub struct Requester {
    /// Fully qualified name of the joint's node.
    pub joint: String,
    /// Names of the motors, the pan's last.
    pub motor_names: Vec<String>,
    /// To the loop.
    pub handle: Handle,
    /// The clock that the loop runs by.
    pub clock: Clock,
    /// What other threads see.
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
            match success {
                true => tracing::info!(joint, "{message}"),
                false => tracing::warn!(joint, "{message}"),
            }
            self.check(request.respond(Trigger::Response { success, message }));
        }
    }

    /// Says where a reply could not be sent.
    pub fn check(&self, sent: r2r::Result<()>) {
        if let Err(error) = sent {
            let joint = &self.joint;
            tracing::warn!(joint, "a service's reply could not be sent: {error}");
        }
    }

    /// Requests for something; waits until a tick has seen it and until `told` of what the loop said since.
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
                    "simulated time stands, and the joint with it; what was asked is done when it goes on"
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

    /// Clears the faults whose cause has gone; a success where none is left.
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

    /// Begins to release the tendons.
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
                return Err("the tendons are not released: the joint is not driven; accepted: where it is active".into());
            }
            ReleaseRefusal::NotKnown | ReleaseRefusal::NotCarried => self_support.to_string(),
            ReleaseRefusal::Tilted => {
                "the base is tilted further than the beam alone bears, or its IMU is silent".into()
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
