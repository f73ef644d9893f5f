//! The page of a family's tuning, read back: the drawing agrees with the search, and with the
//! examination of the set.

use crate::reports_support::svg::{frames, named, parse, points, tick_of};
use crate::reports_support::{family_design, family_law, family_page, joint};
use withy::design::examine::{Conditions, Demand, Depth, Member, examine};
use withy::design::model::Plant;

#[test]
fn a_familys_tuning_is_shown_as_it_is() {
    let (design, specification) = family_design();
    // The drawn loops are the searched ones.
    for (i, on) in design.models.iter().enumerate() {
        let open = design.open_loop(i, &specification).unwrap();
        let peak = open.figures().sensitivity;
        assert!((peak.value - on.sensitivity.value).abs() < 1e-9, "{i}");
    }
    assert!(design.open_loop(4, &specification).is_none());
    // No line enters the circle about -1 whose radius is the inverse of the specified peak.
    let page = family_page();
    let svg = page.pictures().nth(1).unwrap().1.svg();
    let document = parse(&svg);
    let [left, _, top, bottom] = frames(&document)[0];
    let unit = (bottom - top) / 3.5;
    let radius = 1.0 / specification.sensitivity_peak;
    let lines = named(&document, "polyline").into_iter();
    let loops = lines.filter(|n| n.attribute("stroke-dasharray").is_none());
    let mut nearest = f64::INFINITY;
    for (x, y) in loops.flat_map(|n| points(&n)) {
        let (re, im) = ((x - left) / unit - 2.25, (bottom - y) / unit - 2.25);
        nearest = nearest.min((re + 1.0).hypot(im));
    }
    assert!(nearest > radius - 0.003, "{nearest} {radius}");
    let peak = design.peak();
    assert!((nearest - 1.0 / peak).abs() < 0.02, "{nearest} {peak}");
    // Setpoints: the highest of all lines are the greatest demands that the examination of the same
    // moves finds.
    let names: Vec<_> = page.pictures().map(|p| p.0.to_string()).collect();
    assert_eq!(names, ["open-loop", "nyquist", "push", "setpoints"]);
    let joint = joint();
    let law = family_law(&joint, &design);
    let hold = 0.5 * joint.joint.period;
    let members = design.models.iter().map(|on| {
        let dead_time = on.plant.dead_time - hold;
        Member::new(
            "one",
            Plant {
                dead_time,
                ..on.plant
            },
        )
    });
    let members: Vec<Member> = members.collect();
    let none = Conditions::default();
    let found = examine(&joint.joint, &law, &members, &none, Depth::Full).unwrap();
    let most = |of: fn(&Demand) -> f64| {
        let demands = found.models.iter().map(|m| of(&m.demand.unwrap()));
        100.0 * demands.fold(0.0, f64::max)
    };
    let wanted = [most(|d| d.travel_share), most(|d| d.speed_share)];
    let svg = page.pictures().nth(3).unwrap().1.svg();
    let document = parse(&svg);
    let all = frames(&document);
    assert_eq!(all.len(), 3);
    assert!(
        svg.matches(">limit<").count() == 2,
        "a limit in both panels"
    );
    for (frame, wanted) in all[1..].iter().zip(wanted) {
        let [_, _, top, bottom] = *frame;
        // From 0 at the bottom to the limit, which is dashed across the whole panel.
        let unit = (bottom - tick_of(&document, *frame, "100")) / 100.0;
        let lines = named(&document, "polyline").into_iter();
        let own = lines.map(|n| points(&n)).filter(|p| p.len() > 50);
        let own: Vec<_> = own
            .filter(|p| p.iter().all(|p| (top - 1.0..=bottom + 1.0).contains(&p.1)))
            .collect();
        assert_eq!(own.len(), design.models.len());
        let high = own.iter().flatten().map(|p| (bottom - p.1) / unit);
        let high = high.fold(0.0, f64::max);
        assert!((high - wanted).abs() < 0.3, "{high} {wanted}");
        assert!(wanted > 20.0);
    }
}
