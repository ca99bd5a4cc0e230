//! The pages in a browser that was not written here: Debian's Chromium, without a screen.
//!
//! Without it these say that they were skipped; with `NORLOCK_REQUIRE_BROWSER=1` a skip is a failure.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::desk::Desk;
use crate::logbook::whole_story;

/// No script of a page may run, so what is measured is told by a page around them: the pages stand in
/// frames of a phone's and a screen's width, in which scripts are off.
const AROUND: &str = r#"<!doctype html><title>x</title>
FRAMES<pre id="told"></pre>
<script>
onload = () => {
  const told = [];
  for (const frame of document.querySelectorAll('iframe')) {
    const page = frame.contentDocument, all = page.documentElement;
    const colour = name => getComputedStyle(all)[name].match(/\d+/g).slice(0, 3).reduce((a, b) => a + +b, 0);
    told.push([all.clientWidth, all.scrollWidth, colour('color') < colour('backgroundColor'),
      frame.contentWindow.performance.getEntriesByType('resource').length,
      page.body.innerText.includes(frame.title)].join(' '));
  }
  document.getElementById('told').textContent = 'told\n' + told.join('\n') + '\nend';
};
</script>"#;

/// Pages, and a text that each has to show.
const PAGES: [(&str, &str); 2] = [
    ("gauge-07/logbook.html", "the chip holds target.bin"),
    ("shelf.html", "restore: the chip holds as-found.bin"),
];
const WIDTHS: [u32; 2] = [360, 1280];

fn chromium(folder: &Path, arguments: &[&str]) -> Output {
    let profile = tempfile::tempdir_in(folder).unwrap();
    let mut browser = Command::new("chromium");
    browser.args([
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--hide-scrollbars",
        "--host-resolver-rules=MAP * ~NOTFOUND",
        "--allow-file-access-from-files",
        "--enable-logging=stderr",
    ]);
    browser.arg(format!("--user-data-dir={}", profile.path().display()));
    browser.args(arguments).output().unwrap()
}

fn is_missing() -> bool {
    let found = Command::new("chromium").arg("--version").output();
    if found.is_ok_and(|found| found.status.success()) {
        return false;
    }
    let required = std::env::var_os("NORLOCK_REQUIRE_BROWSER").is_some_and(|value| value == "1");
    assert!(!required, "chromium is not installed");
    println!("skipped: chromium is not installed");
    true
}

/// What each page tells of its width and colours at each width, in one colour scheme (0 is dark, 1 light,
/// by the browser's own numbers).
fn measured(desk: &Desk, scheme: u8) -> Vec<String> {
    let frames = PAGES.iter().flat_map(|(page, text)| {
        WIDTHS.map(|width| {
            format!("<iframe width={width} height=800 src={page} title=\"{text}\" sandbox=allow-same-origin></iframe>\n")
        })
    });
    desk.put(
        "around.html",
        AROUND.replace("FRAMES", &frames.collect::<String>()),
    );
    let url = format!("file://{}", desk.path("around.html").display());
    let scheme = format!("--blink-settings=preferredColorScheme={scheme}");
    let output = chromium(&desk.path("."), &[&scheme, "--dump-dom", &url]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!said.contains("CONSOLE"), "{said}");
    let dom = String::from_utf8_lossy(&output.stdout).into_owned();
    let (_, told) = dom
        .split_once("<pre id=\"told\">told\n")
        .unwrap_or_else(|| panic!("{dom}{said}"));
    let told = told.lines().take_while(|line| !line.starts_with("end"));
    told.map(str::to_owned).collect()
}

#[test]
fn pages_fit_a_phone_and_a_screen_in_light_and_dark() {
    if is_missing() {
        return;
    }
    let desk = whole_story();
    desk.ends("logbook --shelf .", 0);
    for (scheme, dark_on_light) in [(0, false), (1, true)] {
        // As wide as the frame, nothing wider in it, nothing fetched, and its text is there.
        let fits = |width: &u32| format!("{width} {width} {dark_on_light} 0 true");
        let expected: Vec<String> = PAGES.iter().flat_map(|_| WIDTHS.iter().map(fits)).collect();
        assert_eq!(measured(&desk, scheme), expected);
    }
    let pdf = desk.path("page.pdf");
    let print = format!("--print-to-pdf={}", pdf.display());
    let url = format!("file://{}", desk.path("gauge-07/logbook.html").display());
    chromium(&desk.path("."), &[&print, "--no-pdf-header-footer", &url]);
    let pages = fs::read(pdf).unwrap();
    assert!(pages.starts_with(b"%PDF-") && pages.len() > 20_000);
}
