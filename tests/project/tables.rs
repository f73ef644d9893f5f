//! Tables and recordings as plain text.

use withy::report::{Align, Table, write_csv};

#[test]
fn columns_line_up() {
    let mut table = Table::new(&[("pose", "", Align::Left), ("error", "deg", Align::Right)]);
    table.row(["far left".into(), "0.1".into()]);
    table.row(["up".into()]);
    let expected = "pose      error\n            deg\nfar left    0.1\nup\n";
    assert_eq!(table.to_string(), expected);
}

#[test]
fn a_narrow_terminal_gets_blocks_with_the_first_column_again() {
    let mut table = Table::new(&[
        ("set", "", Align::Left),
        ("margin", "deg", Align::Right),
        ("peak", "", Align::Right),
        ("settling", "s", Align::Right),
    ]);
    table.row(["own", "61.5", "1.7", "0.4"].map(String::from));
    assert_eq!(table.within(27), table.to_string());
    assert_eq!(
        table.within(26),
        "set  margin  peak\n        deg\nown    61.5   1.7\n\n\
         set  settling\n            s\nown       0.4\n"
    );
    for width in [0, 5, 13, 17, 20] {
        let longest = table.within(width).lines().map(str::len).max();
        assert!(longest <= Some(width.max(13)), "{width}: {longest:?}");
    }
}

#[test]
fn unknown_is_empty() {
    let mut text = Vec::new();
    let columns = ["time_s".to_string(), "angle_rad".to_string()];
    write_csv(&mut text, &columns, [[0.5, f64::NAN], [1.0, -0.25]]).unwrap();
    assert_eq!(
        String::from_utf8(text).unwrap(),
        "time_s,angle_rad\n0.500000,\n1.000000,-0.250000\n"
    );
}
