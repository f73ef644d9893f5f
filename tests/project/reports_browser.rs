//! Reports in a real browser, headless: everything on them has a size, no text leaves its picture,
//! and the page is visible.

use crate::reports_support::{family_page, fit_page, tuning_page, tunings};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use withy::report::Page;

/// Returns `None` where there is no browser and the environment declares it.
fn browser() -> Option<PathBuf> {
    let names = ["chromium", "google-chrome", "chromium-browser"];
    let path = std::env::var_os("PATH").unwrap_or_default();
    let folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    let all = names
        .iter()
        .flat_map(|n| folders.iter().map(move |f| f.join(n)));
    let found = all.into_iter().find(|p| p.is_file());
    if found.is_none() {
        let known = std::env::var_os("WITHY_NO_BROWSER").is_some_and(|v| !v.is_empty());
        assert!(
            known,
            "no browser in PATH to open reports with: install one (Debian: apt install chromium), \
             or set WITHY_NO_BROWSER=1 to go without"
        );
        eprintln!("no browser in PATH, and WITHY_NO_BROWSER is set: reports are not opened");
    }
    found
}

/// Opens `file` in a browser of its own. Returns its standard output.
fn open(browser: &Path, folder: &Path, more: &[&str], file: &Path) -> String {
    let (out, err) = (folder.join("out"), folder.join("err"));
    let mut child = Command::new(browser)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--hide-scrollbars",
            "--virtual-time-budget=2000",
        ])
        .arg(format!(
            "--user-data-dir={}",
            folder.join("profile").display()
        ))
        .args(more)
        .arg(format!("file://{}", file.display()))
        .stdin(Stdio::null())
        .stdout(File::create(&out).unwrap())
        .stderr(File::create(&err).unwrap())
        .spawn()
        .unwrap();
    let deadline = Instant::now() + Duration::from_secs(180);
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if Instant::now() > deadline {
            child.kill().unwrap();
            child.wait().unwrap();
            let said = std::fs::read_to_string(&err).unwrap();
            panic!("the browser did not end within 180 s; it says: {said}");
        }
        std::thread::sleep(Duration::from_millis(20));
    };
    let said = std::fs::read_to_string(&err).unwrap();
    assert!(status.success(), "{status}: {said}");
    std::fs::read_to_string(&out).unwrap()
}

/// Added to a copy of the page by this test alone: writes down the browser's layout.
const MEASURE: &str = r#"<script>
for (const svg of document.querySelectorAll("figure svg")) {
  const size = svg.getBoundingClientRect();
  const all = svg.viewBox.baseVal;
  let out = 0, letters = 0;
  for (const text of svg.querySelectorAll("text")) {
    const box = text.getBBox();
    letters += box.width;
    out = Math.max(out, -box.x, -box.y, box.x + box.width - all.width, box.y + box.height - all.height);
  }
  svg.setAttribute("data-measured", [size.width, size.height, out, letters].join(" "));
}
document.body.setAttribute("data-overflow", document.documentElement.scrollWidth - window.innerWidth);
</script>"#;

fn looks_right(browser: &Path, page: &Page) {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let file = page.save(folder, "report").unwrap();
    let html = page.html();
    let measured = folder.join("measured.html");
    let (start, end) = html.rsplit_once("</body>").unwrap();
    std::fs::write(&measured, format!("{start}{MEASURE}</body>{end}")).unwrap();
    // A browser's window is at least 500 px wide.
    for width in [1040.0, 520.0] {
        let window = format!("--window-size={width},800");
        let dom = open(browser, folder, &["--dump-dom", &window], &measured);
        let sizes: Vec<Vec<f64>> = dom
            .split("data-measured=\"")
            .skip(1)
            .map(|rest| {
                let values = rest.split('"').next().unwrap().split(' ');
                values.map(|v| v.parse().unwrap()).collect()
            })
            .collect();
        assert_eq!(sizes.len(), page.pictures().count());
        for (size, (name, figure)) in sizes.iter().zip(page.pictures()) {
            let [width_seen, height, out, letters] = size[..] else {
                panic!("{size:?}")
            };
            // As wide as the column, no wider than drawn, in its own proportions.
            assert!(
                width_seen > 0.6 * figure.width.min(width - 50.0),
                "{name}: {size:?}"
            );
            assert!(
                width_seen <= figure.width + 0.5 && width_seen <= width,
                "{name}: {size:?}"
            );
            let svg = figure.svg();
            let drawn: f64 = svg
                .split("height=\"")
                .nth(1)
                .unwrap()
                .split('"')
                .next()
                .unwrap()
                .parse()
                .unwrap();
            let ratio = height / width_seen / (drawn / figure.width);
            assert!((ratio - 1.0).abs() < 0.01, "{name}: {size:?}");
            assert!(letters > 200.0, "{name}: text has no size");
            assert!(out <= 0.5, "{name}: text leaves the picture by {out} px");
        }
        let over = dom.split("data-overflow=\"").nth(1).unwrap();
        let over: f64 = over.split('"').next().unwrap().parse().unwrap();
        assert!(
            over <= 0.0,
            "the page is {over} px wider than a window of {width}"
        );
    }
    let picture = folder.join("seen.png");
    let shot = format!("--screenshot={}", picture.display());
    open(browser, folder, &[&shot, "--window-size=1040,1600"], &file);
    let decoder = png::Decoder::new(std::io::BufReader::new(File::open(&picture).unwrap()));
    let mut reader = decoder.read_info().unwrap();
    let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut bytes).unwrap();
    assert_eq!((info.width, info.height), (1040, 1600));
    let each = info.color_type.samples();
    let pixels = bytes[..info.buffer_size()].chunks_exact(each);
    let all = pixels.len() as f64;
    let (mut white, mut dark) = (0.0, 0.0);
    for pixel in pixels {
        let sum: u32 = pixel[..3].iter().map(|v| u32::from(*v)).sum();
        if sum == 3 * 255 {
            white += 1.0 / all
        } else if sum < 300 {
            dark += 1.0 / all
        }
    }
    assert!((0.4..0.99).contains(&white), "{white} of the page is white");
    assert!((0.005..0.2).contains(&dark), "{dark} of the page is dark");
}

#[test]
fn a_browser_shows_the_report_of_a_fit() {
    if let Some(browser) = browser() {
        looks_right(&browser, &fit_page());
    }
}

#[test]
fn a_browser_shows_the_report_of_a_familys_tuning() {
    if let Some(browser) = browser() {
        let page = family_page();
        assert!(page.pictures().any(|(name, _)| name == "setpoints"));
        looks_right(&browser, &page);
    }
}

#[test]
fn a_browser_shows_the_report_of_a_tuning() {
    if let Some(browser) = browser() {
        let (name, plant, margin, crossover) = tunings()[0];
        looks_right(
            &browser,
            &tuning_page(name, &plant, margin, crossover, true),
        );
    }
}
