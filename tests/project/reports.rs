//! Pictures and reports: positions of lines, ticks and marks; pages and pictures read back by an
//! XML parser.

use crate::reports_support::svg::{frames, named, number, parse, place, points, tick_of};
use crate::reports_support::{family_page, fit_page, fitted, tuning_page, tunings};
use proptest::prelude::*;
use roxmltree::{Document, Node};
use withy::report::{
    Align, Band, Dot, Figure, Height, Level, Mark, Page, Panel, Scale, Series, Stroke, Table,
};

fn line(points: &[(f64, f64)]) -> Series {
    Series {
        name: "a".into(),
        stroke: Stroke::TRUE,
        points: points.to_vec(),
    }
}

fn small(panel: Panel) -> Figure {
    Figure {
        title: "small".into(),
        x_label: "time, s".into(),
        span: (0.0, 10.0),
        width: 1000.0,
        height: Height::Px(200.0),
        panels: vec![Panel {
            label: "angle, deg".into(),
            height: 1.0,
            ..panel
        }],
        ..Figure::default()
    }
}

#[test]
fn lines_ticks_and_marks_lie_where_they_should() {
    let nan = f64::NAN;
    let figure = Figure {
        bands: vec![Band {
            from: 2.0,
            to: 4.0,
            label: "band".into(),
        }],
        marks: vec![Mark {
            at: 5.0,
            label: "mark".into(),
        }],
        ..small(Panel {
            range: Some((0.0, 100.0)),
            series: vec![line(&[
                (0.0, 0.0),
                (5.0, 50.0),
                (6.0, nan),
                (8.0, 50.0),
                (9.0, 250.0),
                (10.0, 50.0),
            ])],
            levels: vec![Level {
                from: 25.0,
                to: 75.0,
                label: "level".into(),
            }],
            dots: vec![Dot {
                at: (5.0, 50.0),
                label: "dot".into(),
            }],
            ..Panel::default()
        })
    };
    let svg = figure.svg();
    let document = parse(&svg);
    let frame = frames(&document);
    let [left, right, top, bottom] = frame[0];
    // 1000 px less 70 at the left and 20 at the right; 200 px high.
    assert_eq!(
        (frame.len(), left, right, bottom - top),
        (1, 70.0, 980.0, 200.0)
    );
    let lines = named(&document, "polyline");
    let dashed = |n: &&Node| n.attribute("stroke-dasharray").is_some();
    let own: Vec<_> = lines.iter().filter(|n| !dashed(n)).map(points).collect();
    // Broken at NaN; beyond 100 it is cut at the edge: a quarter of the way up, three quarters
    // down.
    let y = |v: f64| bottom - 2.0 * v;
    let x = |t: f64| 70.0 + 91.0 * t;
    let expected = [
        vec![(x(0.0), y(0.0)), (x(5.0), y(50.0))],
        vec![(x(8.0), y(50.0)), (x(8.25), y(100.0))],
        vec![(x(9.75), y(100.0)), (x(10.0), y(50.0))],
    ];
    let near =
        |a: &(f64, f64), b: &(f64, f64)| (a.0 - b.0).abs() < 0.051 && (a.1 - b.1).abs() < 0.051;
    assert_eq!(own.len(), 3);
    for (own, expected) in own.iter().zip(&expected) {
        assert_eq!(own.len(), expected.len());
        assert!(
            own.iter().zip(expected).all(|(a, b)| near(a, b)),
            "{own:?} {expected:?}"
        );
    }
    // Level: shade and its two lines.
    let level: Vec<_> = lines.iter().filter(dashed).map(points).collect();
    assert_eq!(
        level,
        [
            [(left, y(25.0)), (right, y(25.0))],
            [(left, y(75.0)), (right, y(75.0))]
        ]
    );
    let shades = named(&document, "rect");
    let shades: Vec<_> = shades
        .iter()
        .filter(|n| n.attribute("fill") == Some("#e9edf1"))
        .collect();
    assert_eq!(shades.len(), 2);
    assert_eq!(
        (number(shades[0], "x"), number(shades[0], "width")),
        (x(2.0), 182.0)
    );
    assert_eq!(
        (number(shades[1], "y"), number(shades[1], "height")),
        (y(75.0), 100.0)
    );
    let dot = named(&document, "circle")[0];
    assert_eq!((number(&dot, "cx"), number(&dot, "cy")), (x(5.0), y(50.0)));
    // Ticks.
    assert_eq!(place(&document, "10").0, x(10.0));
    assert_eq!(place(&document, "100").1, y(100.0) + 4.0);
    assert_eq!(place(&document, "mark").0, x(5.0) + 3.0);
    assert_eq!(place(&document, "band").0, x(3.0));
}

#[test]
fn decades_are_equally_long() {
    let figure = Figure {
        scale: Scale::Logarithmic,
        span: (0.1, 1000.0),
        ..small(Panel {
            scale: Scale::Logarithmic,
            series: vec![line(&[
                (0.1, 0.02),
                (0.0, 1.0),
                (-1.0, 1.0),
                (10.0, 0.3),
                (1000.0, 3.0),
            ])],
            ..Panel::default()
        })
    };
    let svg = figure.svg();
    let document = parse(&svg);
    let [left, right, top, bottom] = frames(&document)[0];
    // The vertical axis is widened to whole decades, 0.01 to 10: three of them.
    let third = |k: f64| bottom - k * (bottom - top) / 3.0;
    for (label, x) in [("100", left + 0.75 * (right - left)), ("1000", right)] {
        assert!((place(&document, label).0 - x).abs() < 0.051, "{label}");
    }
    let heights: Vec<f64> = named(&document, "text")
        .iter()
        .filter(|n| n.attribute("text-anchor") == Some("end"))
        .filter(|n| n.text().is_some_and(|t| !t.is_empty()))
        .map(|n| number(n, "y") - 4.0)
        .collect();
    let expected = [third(0.0), third(1.0), third(2.0), third(3.0)];
    assert_eq!(heights.len(), 4);
    assert!(
        heights
            .iter()
            .zip(expected)
            .all(|(a, b)| (a - b).abs() < 0.11),
        "{heights:?}"
    );
    // Values that a logarithmic axis cannot show break the line.
    let lines: Vec<_> = named(&document, "polyline").iter().map(points).collect();
    assert_eq!(lines.len(), 1);
    assert!((lines[0][0].0 - (left + 0.5 * (right - left))).abs() < 0.051);
    // Fine ticks: 2 to 9 in each of four decades, lighter.
    let fine = named(&document, "line");
    let fine = fine
        .iter()
        .filter(|n| n.attribute("stroke") == Some("#eceef0"));
    assert_eq!(fine.count(), 4 * 8 + 3 * 8);
}

#[test]
fn equal_scales_leave_a_circle_round() {
    let circle: Vec<_> = (0..=360)
        .map(|i| f64::from(i).to_radians().sin_cos())
        .collect();
    let figure = Figure {
        span: (-2.0, 1.5),
        height: Height::Equal,
        ..small(Panel {
            range: Some((-3.0, 1.0)),
            series: vec![line(&circle)],
            ..Panel::default()
        })
    };
    let svg = figure.svg();
    let document = parse(&svg);
    let [left, right, top, bottom] = frames(&document)[0];
    assert!(((bottom - top) / 4.0 - (right - left) / 3.5).abs() < 0.1);
    let points = points(&named(&document, "polyline")[0]);
    let (x, y) = (left + 2.0 * 260.0, top + 260.0);
    for p in points {
        let radius = (p.0 - x).hypot(p.1 - y);
        assert!((radius - 260.0).abs() < 0.2, "{radius}");
    }
}

/// Returns the lightness of a colour `#rgb` or `#rrggbb`, 0 to 1, as a grey print shows it (the
/// weights of ITU-R BT.709).
fn lightness(colour: &str) -> f64 {
    let digits = colour.trim_start_matches('#');
    let width = digits.len() / 3;
    let part = |i: usize| {
        let text = &digits[i * width..(i + 1) * width];
        let most = 16f64.powi(width as i32) - 1.0;
        f64::from(u32::from_str_radix(text, 16).unwrap()) / most
    };
    0.2126 * part(0) + 0.7152 * part(1) + 0.0722 * part(2)
}

#[test]
fn lines_can_be_told_apart_in_grey() {
    let strokes: Vec<Stroke> = (0..5).map(Stroke::of).collect();
    for (i, a) in strokes.iter().enumerate() {
        assert!(lightness(a.colour) < 0.6, "{a:?} is too light on white");
        for b in &strokes[i + 1..] {
            assert_ne!(a.dash, b.dash);
        }
    }
    assert_ne!(Stroke::TRUE.dash, Stroke::COMMANDED.dash);
    assert!(lightness(Stroke::NOISY.colour) - lightness(Stroke::TRUE.colour) > 0.3);
}

/// Returns every page that the tests look at.
fn pages() -> Vec<Page> {
    let mut pages = vec![fit_page(), family_page()];
    for (i, (name, plant, margin, crossover)) in tunings().into_iter().enumerate() {
        pages.push(tuning_page(name, &plant, margin, crossover, i != 1));
    }
    pages
}

/// Checks the properties of every picture.
fn sound(svg: &str) {
    let document = parse(svg);
    let root = document.root_element();
    assert_eq!(
        root.tag_name().namespace(),
        Some("http://www.w3.org/2000/svg")
    );
    let (width, height) = (number(&root, "width"), number(&root, "height"));
    assert_eq!(
        root.attribute("viewBox").unwrap(),
        format!("0 0 {width} {height}")
    );
    assert!((300.0..=1600.0).contains(&width) && (100.0..=1600.0).contains(&height));
    assert_eq!(svg.matches("http").count(), 1, "the namespace alone");
    for outside in [
        "<script", "href", "url(", "<style", "<image", "<use", "NaN", "inf\"",
    ] {
        assert!(!svg.contains(outside), "{outside}");
    }
    let axes = named(&document, "text").into_iter();
    let axes: Vec<_> = axes
        .filter(|n| n.attribute("class") == Some("axis"))
        .collect();
    assert_eq!(axes.len(), frames(&document).len() + 1);
    let units = ["s", "deg", "deg/s", "%", "dB", "rad/s", "samples", "1"];
    for axis in axes {
        let label = axis.text().unwrap();
        let unit = label.rsplit(", ").next().unwrap();
        assert!(units.contains(&unit), "{label} has no unit");
    }
}

#[test]
fn every_picture_and_page_is_well_formed_and_needs_nothing_else() {
    for page in pages() {
        for (name, figure) in page.pictures() {
            assert!(
                name.chars()
                    .all(|c| c.is_ascii_alphanumeric() || "-_".contains(c)),
                "{name}"
            );
            sound(&figure.svg());
        }
        let html = page.html();
        let document = parse(&html);
        let root = document.root_element();
        assert_eq!(root.attribute("lang"), Some("en"));
        assert_eq!(
            named(&document, "title")[0].text(),
            Some(page.title.as_str())
        );
        let figures = named(&document, "figure");
        assert_eq!(figures.len(), page.pictures().count());
        for figure in &figures {
            let has = |name| figure.children().any(|n| n.tag_name().name() == name);
            assert!(has("svg") && has("figcaption"));
        }
        assert_eq!(
            html.matches("http").count(),
            figures.len(),
            "namespaces alone"
        );
        for outside in ["<script", "href", "src=", "url(", "@import", "<link", " on"] {
            let text = html.replace("max-width", "");
            let found = text.match_indices(outside).any(|(at, _)| {
                // " on" counts as an attribute only.
                outside != " on" || text[at..].chars().take(14).any(|c| c == '=')
            });
            assert!(!found, "{outside}");
        }
        for table in named(&document, "table") {
            let rows = table.descendants().filter(|n| n.tag_name().name() == "tr");
            let widths: Vec<_> = rows
                .map(|r| r.children().filter(Node::is_element).count())
                .collect();
            assert!(
                widths.len() > 1 && widths.windows(2).all(|w| w[0] == w[1]),
                "{widths:?}"
            );
        }
    }
}

#[test]
fn text_is_escaped_and_files_have_names_of_their_own() {
    let mut page = Page::new("a < b & \"c\"");
    page.text("</p><script>alert(1)</script>\u{0}");
    let mut table = Table::new(&[("<b>", "", Align::Left), ("size", "mm", Align::Right)]);
    table.row(["&amp;".into(), "1".into()]);
    page.table("<caption>", table);
    for _ in 0..3 {
        page.picture("../x y", "</figure>", small(Panel::default()));
    }
    let html = page.html();
    let document = parse(&html);
    assert!(named(&document, "script").is_empty() && named(&document, "b").is_empty());
    assert_eq!(
        named(&document, "p")[0].text(),
        Some("</p><script>alert(1)</script>\u{fffd}")
    );
    assert_eq!(named(&document, "td")[0].text(), Some("&amp;"));
    assert_eq!(named(&document, "td")[1].attribute("class"), Some("number"));
    let folder = tempfile::tempdir().unwrap();
    let inside = folder.path().join("reports");
    assert_eq!(page.save(&inside, "r").unwrap(), inside.join("r.html"));
    let mut names: Vec<_> = std::fs::read_dir(&inside)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    assert_eq!(
        names,
        ["r----x-y-2.svg", "r----x-y-3.svg", "r----x-y.svg", "r.html"]
    );
    assert_eq!(
        std::fs::read_to_string(inside.join("r.html")).unwrap(),
        html
    );
    // A folder that cannot be created.
    let error = page
        .save(&inside.join("r.html").join("deeper"), "r")
        .unwrap_err();
    assert!(error.path.ends_with("deeper"));
}

#[test]
fn a_fit_is_shown_as_it_is() {
    let (record, member) = fitted("bare", 1);
    let page = withy::cli::report::fit(
        &[withy::cli::report::Shown {
            record: &record,
            member: &member,
        }],
        &[],
    );
    let svg = page.pictures().next().unwrap().1.svg();
    let document = parse(&svg);
    let all = frames(&document);
    let [left, right, _, bottom] = all[0];
    assert_eq!(all.len(), 3);
    // The fitted line is the model's response at each of its corners, read off the axes.
    let fitted = &member.fitted.fit;
    let model = fitted.response(&record);
    let ticks = |label: &str| place(&document, label).1 - 4.0;
    let (zero, ten) = (ticks("0"), ticks("10"));
    let lines = named(&document, "polyline");
    let own = lines
        .iter()
        .find(|n| n.attribute("stroke-width") == Some("1.5"))
        .unwrap();
    let end = record.stamps.last().unwrap() - record.times[0];
    let mut seen = 0;
    for (x, y) in points(own) {
        let time = (x - left) / (right - left) * end;
        let bend = (y - zero) / (ten - zero) * 10.0;
        let i = record
            .stamps
            .iter()
            .position(|s| *s >= time - 0.002)
            .unwrap();
        let near = [i.saturating_sub(1), i, (i + 1).min(model.len() - 1)];
        let low = near
            .iter()
            .map(|i| model[*i].to_degrees())
            .fold(f64::INFINITY, f64::min);
        let high = near
            .iter()
            .map(|i| model[*i].to_degrees())
            .fold(f64::NEG_INFINITY, f64::max);
        assert!(
            (low - 0.1..=high + 0.1).contains(&bend),
            "{time} {bend} {low} {high}"
        );
        assert!(y < bottom);
        seen += 1;
    }
    assert!(seen > 300);
    // The table has the parameters with their errors.
    let html = page.html();
    let document = parse(&html);
    let cells: Vec<_> = named(&document, "td")
        .iter()
        .filter_map(Node::text)
        .collect();
    let at = cells.iter().position(|c| *c == "damping_ratio").unwrap();
    let damping = fitted.parameter("damping_ratio").unwrap();
    let told: Vec<f64> = cells[at + 1..at + 3]
        .iter()
        .map(|c| c.parse().unwrap())
        .collect();
    assert!((told[0] / damping.value - 1.0).abs() < 1e-3);
    assert!((told[1] / damping.standard_error.unwrap() - 1.0).abs() < 1e-3);
    assert!(html.contains("they are white"));
    // The stems are the residuals' correlations; that at lag 1 is the fit's own figure.
    let svg = page.pictures().last().unwrap().1.svg();
    let document = parse(&svg);
    let [_, _, top, bottom] = frames(&document)[0];
    let stems = named(&document, "polyline").into_iter();
    let stems: Vec<_> = stems
        .filter(|n| n.attribute("stroke-width") == Some("4"))
        .collect();
    assert_eq!(stems.len(), 40);
    let first = points(&stems[0]);
    let tip = |p: &[(f64, f64)]| {
        p.iter()
            .map(|p| 0.5 * (top + bottom) - p.1)
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a })
    };
    let most: f64 = {
        let labels = named(&document, "text").into_iter();
        let labels = labels.filter(|n| n.attribute("text-anchor") == Some("end"));
        labels
            .filter_map(|n| n.text()?.parse::<f64>().ok())
            .fold(0.0, f64::max)
    };
    let told = tip(&first) / (0.5 * (bottom - top)) * most;
    assert!((told - fitted.whiteness.lag_one).abs() < 0.002, "{told}");
}

#[test]
fn a_tuning_is_shown_as_it_is() {
    let (name, plant, margin, crossover) = tunings()[0];
    let page = tuning_page(name, &plant, margin, crossover, true);
    let names: Vec<_> = page.pictures().map(|p| p.0.to_string()).collect();
    assert_eq!(
        names,
        ["open-loop", "nyquist", "steps", "family", "setpoints"]
    );
    let svg = |i: usize| page.pictures().nth(i).unwrap().1.svg();
    // Crossover and margin are at the specified places.
    let text = svg(0);
    let document = parse(&text);
    let [left, right, ..] = frames(&document)[0];
    let dots = named(&document, "circle");
    let x = left + (crossover / (crossover / 50.0)).ln() / (1000f64).ln() * (right - left);
    assert!(dots.iter().all(|d| (number(d, "cx") - x).abs() < 0.06));
    let y = |label: &str| place(&document, label).1 - 4.0;
    assert!((number(&dots[0], "cy") - y("0")).abs() < 0.11);
    let degree = (y("-180") - y("-135")) / 45.0;
    assert!((y("-180") - number(&dots[1], "cy") - margin * degree).abs() < 0.2);
    place(&document, "crossover, 8 rad/s");
    place(&document, "margin, 65 deg");
    // On the complex plane the crossover is on the unit circle, at the margin from the negative
    // real axis.
    let text = svg(1);
    let document = parse(&text);
    let dots = named(&document, "circle");
    let [left, _, top, bottom] = frames(&document)[0];
    let unit = (bottom - top) / 3.5;
    let at = |d: &Node| {
        (
            (number(d, "cx") - left) / unit - 2.25,
            (bottom - number(d, "cy")) / unit - 2.25,
        )
    };
    assert!((at(&dots[0]).0 + 1.0).abs() < 1e-3 && at(&dots[0]).1.abs() < 1e-3);
    let (sin, cos) = (margin - 180.0).to_radians().sin_cos();
    assert!((at(&dots[1]).0 - cos).abs() < 1e-3 && (at(&dots[1]).1 - sin).abs() < 1e-3);
    // Steps: the overshoot of the pictures is that of the table.
    let html = page.html();
    let page = parse(&html);
    let rows = named(&page, "tr");
    let row = rows.iter().find(|r| {
        r.children().filter(Node::is_element).count() == 7
            && r.first_element_child().unwrap().text() == Some("fractional")
    });
    let told: Vec<f64> = row
        .unwrap()
        .children()
        .filter(Node::is_element)
        .skip(1)
        .map(|n| n.text().unwrap().parse().unwrap())
        .collect();
    let text = svg_of(&page, 2, &html);
    let document = parse(text);
    let frame = frames(&document)[0];
    let high = 20.0 * (frame[3] - frame[2]) / (frame[3] - tick_of(&document, frame, "20"));
    let lines = named(&document, "polyline")
        .into_iter()
        .map(|n| points(&n))
        .filter(|p| p.len() > 50);
    for (line, told) in lines.take(5).zip(&told) {
        let top = line.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let percent = (frame[3] - top) / (frame[3] - frame[2]) * high;
        assert!((percent - 100.0 - told).abs() < 0.3, "{percent} {told}");
    }
}

/// Returns the text of the page's picture `i`.
fn svg_of<'a>(page: &Document, i: usize, html: &'a str) -> &'a str {
    &html[named(page, "svg")[i].range()]
}

#[test]
fn fit_writes_a_report_where_it_is_told_to() {
    let folder = tempfile::tempdir().unwrap();
    let (file, bad) = (
        folder.path().join("lens.csv"),
        folder.path().join("still.csv"),
    );
    let text = |moves: bool| {
        let record = crate::reports_support::record(3);
        let mut text = "time_s,commanded_x_rad,commanded_y_rad,bend_x_rad,bend_y_rad\n".to_string();
        for i in 0..record.times.len() {
            let input = if moves { record.input[i] } else { 0.0 };
            let (time, along, across) = (record.times[i], record.along[i], record.across[i]);
            text += &format!("{time},{input},0,{along},{across}\n");
        }
        text
    };
    std::fs::write(&file, text(true)).unwrap();
    std::fs::write(&bad, text(false)).unwrap();
    let reports = folder.path().join("reports");
    let command = || {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_withy"));
        command.arg("fit").args([&file, &bad]).arg("--report");
        command
    };
    let output = command().arg(&reports).output().unwrap();
    assert_eq!(output.status.code(), Some(1), "one record is bad");
    let html = std::fs::read_to_string(reports.join("fit.html")).unwrap();
    let document = parse(&html);
    assert_eq!(named(&document, "figure").len(), 3);
    assert!(html.contains("1 of 2 records fitted") && html.contains("still.csv: no step"));
    for name in ["record", "first-step", "autocorrelation"] {
        let svg = std::fs::read_to_string(reports.join(format!("fit-lens-{name}.svg"))).unwrap();
        sound(&svg);
        // The page has the same picture.
        assert!(html.contains(&svg), "{name}");
    }
    // A folder that cannot be created is reported in one sentence.
    let output = command().arg(file.join("reports")).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("reports: cannot be written: "), "{said}");
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        -100.0..100.0f64,
        Just(0.0),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(f64::NEG_INFINITY),
        Just(1e308),
        Just(-1e308),
        Just(5e-324),
        any::<f64>(),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 400,
        rng_seed: proptest::test_runner::RngSeed::Fixed(7),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]
    #[test]
    fn no_numbers_spoil_a_picture(
        numbers in prop::collection::vec(any_number(), 16),
        logarithmic in any::<[bool; 2]>(),
        ranged in any::<[bool; 2]>(),
        text in any::<String>(),
    ) {
        let scale = |log| if log { Scale::Logarithmic } else { Scale::Linear };
        let n = &numbers;
        let figure = Figure {
            title: text.clone(),
            scale: scale(logarithmic[0]),
            span: (n[0], n[1]),
            bands: vec![Band { from: n[2], to: n[3], label: text.clone() }],
            marks: vec![Mark { at: n[4], label: text.clone() }],
            ..small(Panel {
                scale: scale(logarithmic[1]),
                range: ranged[0].then_some((n[5], n[6])),
                ticks: ranged[1].then_some(n[7]),
                series: vec![line(&[(n[8], n[9]), (n[10], n[11]), (n[12], n[13])])],
                levels: vec![Level { from: n[14], to: n[15], label: text.clone() }],
                dots: vec![Dot { at: (n[8], n[9]), label: text }],
                ..Panel::default()
            })
        };
        let svg = figure.svg();
        let document = parse(&svg);
        for node in document.descendants() {
            for attribute in node.attributes() {
                prop_assert!(!["NaN", "inf", "-inf"].contains(&attribute.value()), "{}", svg);
                if node.tag_name().name() == "polyline" && attribute.name() == "points" {
                    prop_assert!(!attribute.value().contains(['N', 'i']), "{}", svg);
                }
            }
        }
        prop_assert!(svg.len() < 200_000);
    }
}
