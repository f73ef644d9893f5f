//! The channels between the graph and the real-time loop, without a loop.

use withy::control::tick::{Desired, Input, Output};
use withy::runtime::link::inbox::read_motor_angles;
use withy::runtime::link::{Link, LoopRequest, Record};

/// Records that the ring holds.
const RECORDS: usize = 64;

#[test]
fn the_newest_input_wins_and_requests_to_hold_are_counted() {
    let mut link = Link::new(3);
    let mut input = Input::new(3);
    assert!(!link.endpoint.input().1);
    for sequence in 0..5 {
        input.desired = Some(Desired {
            sequence,
            ..Default::default()
        });
        link.input.send(&input);
    }
    assert_eq!(link.handle.request(LoopRequest::Hold), 1);
    let (seen, new) = link.endpoint.input();
    assert!(new && seen.inactive);
    assert_eq!(seen.desired.map(|d| d.sequence), Some(4));
    assert_eq!((seen.hold, seen.clear, seen.release_tension), (1, 0, 0));
    assert_eq!(link.handle.requests(LoopRequest::Hold), 1);
    assert_eq!(link.handle.requests(LoopRequest::Clear), 0);
    link.handle.set_active(true);
    let (seen, new) = link.endpoint.input();
    assert!(!new && !seen.inactive);
}

#[test]
fn records_come_out_in_order_and_a_full_ring_loses_the_newest() {
    let mut link = Link::new(3);
    let mut record = Box::new(Record {
        output: Output::new(3),
        ..Record::default()
    });
    for tick in 0..RECORDS as u64 + 7 {
        record.counts.ticks = tick;
        record.output.setpoints[1] = tick as f64;
        link.endpoint.send(&mut record);
        assert_eq!(record.output.setpoints.len(), 3);
    }
    assert_eq!(link.endpoint.lost(), 7);
    let mut seen = Vec::new();
    link.records
        .drain(|r, left| seen.push((r.counts.ticks, r.output.setpoints[1], left)));
    assert_eq!(seen.len(), RECORDS);
    for (i, (tick, setpoint, left)) in seen.iter().enumerate() {
        assert_eq!((*tick, *setpoint), (i as u64, i as f64));
        assert_eq!(*left, RECORDS - 1 - i);
    }
    link.endpoint.send(&mut record);
    assert_eq!(link.endpoint.lost(), 7);
    drop(link.endpoint);
    assert!(link.records.ended() && link.handle.ended());
}

#[test]
fn motor_angles_are_picked_by_name() {
    let own = ["a".to_string(), "b".to_string()];
    let mut angles = [None; 2];
    let mut read = |names: &[&str], positions: &[f64]| {
        let names: Vec<String> = names.iter().map(ToString::to_string).collect();
        let read = read_motor_angles(&names, positions, &own, &mut angles);
        read.map(|()| angles).map_err(|refusal| refusal.reason)
    };
    let names = ["wheel", "b"];
    assert_eq!(read(&names, &[f64::NAN, 0.5]), Ok([None, Some(0.5)]));
    for (names, positions, reason) in [
        (names, &[f64::NAN, f64::INFINITY][..], "not_finite"),
        (names, &[f64::NAN, -1.1e4], "out_of_range"),
        (names, &[f64::NAN], "sizes_differ"),
        (names, &[], "sizes_differ"),
        (["b", "b"], &[0.0, 0.0], "named_twice"),
    ] {
        assert_eq!(read(&names, positions), Err(reason));
    }
}
