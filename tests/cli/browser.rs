//! The pages in a browser that was not written here: Debian's Chromium, without a screen.
//!
//! Without it these say that they were skipped; with `NORLOCK_REQUIRE_BROWSER=1` a skip is a failure.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::desk::Desk;
use crate::logbook::whole_story;

/// No script of a page may run, so what is measured is told by a page around it: the pages stand in frames
/// of a phone's and a screen's width, in which scripts are off.
const AROUND: &str = r#"<!doctype html><title>x</title>
<iframe id="phone" width="360" height="800" src="PAGE" sandbox="allow-same-origin"></iframe>
<iframe id="screen" width="1280" height="800" src="PAGE" sandbox="allow-same-origin"></iframe>
<pre id="told"></pre>
<script>
onload = () => {
  const told = [];
  for (const frame of document.querySelectorAll('iframe')) {
    const page = frame.contentDocument, all = page.documentElement;
    const colour = name => getComputedStyle(all)[name].match(/\d+/g).slice(0, 3).reduce((a, b) => a + +b, 0);
    told.push([frame.id, all.clientWidth, all.scrollWidth, colour('color') < colour('backgroundColor'),
      frame.contentWindow.performance.getEntriesByType('resource').length,
      page.body.innerText.includes('LOOKED-FOR')].join(' '));
  }
  document.getElementById('told').textContent = 'told\n' + told.join('\n') + '\nend';
};
</script>"#;

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

/// What the page tells of its width and colours, in one colour scheme (0 is dark, 1 light, by the
/// browser's own numbers).
fn measured(desk: &Desk, page: &str, looked_for: &str, scheme: u8) -> Vec<String> {
    desk.put(
        "around.html",
        AROUND
            .replace("PAGE", page)
            .replace("LOOKED-FOR", looked_for),
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
    told.lines()
        .take_while(|line| !line.starts_with("end"))
        .map(str::to_owned)
        .collect()
}

#[test]
fn pages_fit_a_phone_and_a_screen_in_light_and_dark() {
    if is_missing() {
        return;
    }
    let desk = whole_story();
    desk.ends("logbook --shelf .", 0);
    for (page, looked_for) in [
        ("gauge-07/logbook.html", "the chip holds target.bin"),
        ("shelf.html", "restore: the chip holds as-found.bin"),
    ] {
        for (scheme, dark_on_light) in [(0, false), (1, true)] {
            let expected = [
                format!("phone 360 360 {dark_on_light} 0 true"),
                format!("screen 1280 1280 {dark_on_light} 0 true"),
            ];
            assert_eq!(
                measured(&desk, page, looked_for, scheme),
                expected,
                "{page}"
            );
        }
    }
    let pdf = desk.path("page.pdf");
    let print = format!("--print-to-pdf={}", pdf.display());
    let url = format!("file://{}", desk.path("gauge-07/logbook.html").display());
    chromium(&desk.path("."), &[&print, "--no-pdf-header-footer", &url]);
    let pages = fs::read(pdf).unwrap();
    assert!(pages.starts_with(b"%PDF-") && pages.len() > 20_000);
}
