//! The table of single faults as text, and its differences.

/// One fault.
pub struct Row {
    /// Joint, when, fault, reaction, cause, mode at the end.
    pub words: Vec<String>,
    /// Time to safe, s; greatest share of travel and of speed, %; greatest bend, and with the
    /// motors held still, deg.
    pub numbers: [f64; 5],
}

/// Tolerances of the numbers on another machine.
const ROUNDING: [f64; 5] = [0.1, 3.0, 3.0, 0.5, 0.5];

const HEADING: &str = "\
# Single faults, heaviest payload, 3 s each: what follows. Written by tests/control/fault_bench.rs.
# Safe after: s from its begin until the joint is safe for good (it holds, \
   sends nothing, or is near its reference).
# Travel, speed: greatest share that a setpoint took of its limit, %; velocity setpoints have \
   no share of travel.
# Bend: greatest from its begin on, deg; held: the same with the motors held still from then on.
# joint | when | fault | reaction | cause | mode at the end | safe after | travel | speed | bend | held
";

pub fn table(rows: &[Row]) -> String {
    let mut text = String::from(HEADING);
    for row in rows {
        let [safe, travel, speed, bend, held] = row.numbers;
        text += &row.words.join(" | ");
        text += &format!(" | {safe:.2} | {travel:.0} | {speed:.0} | {bend:.1} | {held:.1}\n");
    }
    text
}

/// Returns the differences beyond rounding.
pub fn compare(pinned: &str, now: &str) -> Vec<String> {
    let rows = |text: &str| -> Vec<Vec<String>> {
        let lines = text.lines().filter(|line| !line.starts_with('#'));
        lines
            .map(|line| {
                line.split('|')
                    .map(|part| part.trim().to_string())
                    .collect()
            })
            .collect()
    };
    let (pinned, now) = (rows(pinned), rows(now));
    let key = |row: &Vec<String>| row[..3.min(row.len())].to_vec();
    let mut differences = Vec::new();
    for row in &now {
        match pinned.iter().find(|p| key(p) == key(row)) {
            None => differences.push(format!("new: {}", row.join(" | "))),
            Some(was) if !same(was, row) => {
                differences.push(format!(
                    "was: {}\nnow: {}",
                    was.join(" | "),
                    row.join(" | ")
                ));
            }
            Some(_) => {}
        }
    }
    let gone = pinned
        .iter()
        .filter(|p| !now.iter().any(|row| key(row) == key(p)));
    differences.extend(gone.map(|row| format!("gone: {}", row.join(" | "))));
    differences
}

fn same(a: &[String], b: &[String]) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).enumerate().all(|(i, (a, b))| {
            let rounding = i.checked_sub(6).and_then(|i| ROUNDING.get(i));
            match (a.parse::<f64>(), b.parse::<f64>(), rounding) {
                (Ok(a), Ok(b), Some(rounding)) => (a - b).abs() <= rounding + 1e-9,
                _ => a == b,
            }
        })
}
