//! The services that the loop answers itself: `~/hold`, `~/clear_faults` and `~/release_tension`.

use std::fmt::Display;
use std::sync::Arc;
use std::time::Duration;

use futures::stream::{BoxStream, StreamExt};
use r2r::ServiceRequest;
use r2r::std_srvs::srv::Trigger;
use tokio::sync::watch;

use super::faults::Words;
use super::refused::Refused;
use super::services::Settings;
use super::snapshot::{self, Snapshot};
use crate::control::self_support::SelfSupport;
use crate::control::tick::{Mode, ReleaseRefusal};
use crate::runtime::link::{Handle, LoopRequest};
use crate::runtime::rt::Clock;

/// Machine time without progress after which simulated time stands.
const STANDS: Duration = Duration::from_millis(500);
/// Time limit for the loop to see a request and to answer it.
const PATIENCE: Duration = Duration::from_secs(3);

/// Reason why a request to the loop was not carried out.
#[derive(Debug, thiserror::Error)]
enum NotDone {
    #[error("no control loop runs, and nothing moves: the node is not configured")]
    NoLoop,
    #[error(
        "simulated time stands still, and so does the joint; the request is carried out when it \
         goes on"
    )]
    TimeStands,
    #[error("the control loop does not answer")]
    NoAnswer,
    /// The latched faults.
    #[error("not cleared: {}", .0.join("; "))]
    NotCleared(Vec<String>),
    #[error(
        "the tendons are not released: the joint is not driven; accepted: requests to an active \
         node"
    )]
    NotDriven,
    #[error("the tendons are not released, and the joint holds: {0}")]
    BeamTooWeak(SelfSupport),
    #[error(
        "the tendons are not released, and the joint holds: the base is tilted further than the \
         beam alone can carry the head, or its IMU is silent"
    )]
    Tilted,
    #[error(
        "the tendons are not released, and the joint holds: the travel of a motor \
         (limits.<motor>.travel_low) ends before its tendon is slack"
    )]
    Travel,
    #[error("the tendons are not released, and the joint holds: an encoder is silent")]
    MotorStale,
}

/// Returns the response to a request with this outcome, and logs it; `failure` precedes the reason
/// in the log.
pub fn response<E: Display>(
    joint: &str,
    refused: &Refused,
    failure: &str,
    outcome: Result<String, E>,
) -> Trigger::Response {
    match outcome {
        Ok(message) => {
            tracing::info!(joint, "{message}");
            let success = true;
            Trigger::Response { success, message }
        }
        Err(reason) => {
            let (success, message) = (false, reason.to_string());
            refused.log(joint, failure, &message);
            Trigger::Response { success, message }
        }
    }
}

/// Logs a reply that could not be sent.
pub fn check_reply(joint: &str, sent: r2r::Result<()>) {
    if let Err(error) = sent {
        tracing::warn!(joint, "a service's reply could not be sent: {error}");
    }
}

/// Passes requests to the loop of one joint.
pub struct Requester {
    pub joint: String,
    /// Names of the motors, the pan's last.
    pub motor_names: Vec<String>,
    pub handle: Handle,
    pub refused: Arc<Refused>,
    pub clock: Clock,
    pub snapshots: watch::Receiver<Snapshot>,
    pub settings: watch::Receiver<Settings>,
}

impl Requester {
    /// Answers requests of one kind until they end.
    pub async fn answer(
        &self,
        kind: LoopRequest,
        mut requests: BoxStream<'static, ServiceRequest<Trigger::Service>>,
    ) {
        while let Some(request) = requests.next().await {
            let outcome = match kind {
                LoopRequest::Hold => self.hold().await,
                LoopRequest::Clear => self.clear().await,
                LoopRequest::ReleaseTension => self.release_tension().await,
            };
            let sent = request.respond(response(&self.joint, &self.refused, "", outcome));
            check_reply(&self.joint, sent);
        }
    }

    async fn request(&self, kind: LoopRequest) -> Result<Snapshot, NotDone> {
        if self.handle.ended() {
            return Err(NotDone::NoLoop);
        }
        let number = self.handle.request(kind);
        let time = self.clock.now();
        let answered = |s: &Snapshot| s.has_answered(kind, number);
        if let Some(answer) = snapshot::wait_for(&self.snapshots, STANDS, answered).await {
            return Ok(answer);
        }
        if self.clock.is_simulated() && self.clock.now() == time {
            return Err(NotDone::TimeStands);
        }
        let answer = snapshot::wait_for(&self.snapshots, PATIENCE - STANDS, answered).await;
        answer.ok_or(NotDone::NoAnswer)
    }

    async fn hold(&self) -> Result<String, NotDone> {
        self.request(LoopRequest::Hold).await?;
        Ok("the reference stops and is held until the next command".into())
    }

    /// Clears the faults whose cause has gone; succeeds if none is left.
    async fn clear(&self) -> Result<String, NotDone> {
        let before = self.snapshots.borrow().faults;
        let answer = self.request(LoopRequest::Clear).await?;
        let settings = self.settings.borrow();
        let words = Words {
            supervision: &settings.supervision,
            motor_names: &self.motor_names,
        };
        let left = words.latched(&answer.faults);
        if !left.is_empty() {
            return Err(NotDone::NotCleared(left));
        }
        Ok(match words.names_of_latched(&before) {
            none if none.is_empty() => "no fault was latched".into(),
            names => format!("cleared: {names}; a new command moves the joint"),
        })
    }

    /// Starts the release of tension.
    async fn release_tension(&self) -> Result<String, NotDone> {
        let answer = self.request(LoopRequest::ReleaseTension).await?;
        let self_support = self.settings.borrow().self_support;
        let Some(refusal) = answer.release_refusal else {
            return Ok(match answer.mode {
                Mode::Released => format!("the tendons are released; {self_support}"),
                _ => format!(
                    "the tendons are being released, which takes some seconds; {self_support}"
                ),
            });
        };
        Err(match refusal {
            ReleaseRefusal::NotDriven => NotDone::NotDriven,
            ReleaseRefusal::NotKnown | ReleaseRefusal::NotCarried => {
                NotDone::BeamTooWeak(self_support)
            }
            ReleaseRefusal::Tilted => NotDone::Tilted,
            ReleaseRefusal::Travel => NotDone::Travel,
            ReleaseRefusal::MotorStale => NotDone::MotorStale,
        })
    }
}
