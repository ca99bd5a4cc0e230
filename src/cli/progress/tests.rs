//! What each look of progress prints.

use super::*;
use std::sync::{Arc, Mutex};

const MIB: u64 = 1 << 20;

#[derive(Clone, Default)]
struct Page(Arc<Mutex<Vec<u8>>>);

impl Write for Page {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Page {
    fn text(&self) -> String {
        String::from_utf8(self.0.lock().unwrap().clone()).unwrap()
    }
}

fn second_read(mode: Mode) -> String {
    let page = Page::default();
    let mut progress = Progress::onto(mode, Box::new(page.clone()), || None);
    progress.start("second read", 16 * MIB, Unit::Bytes);
    for kib in 0..=16 * 1024 {
        let done = kib * 1024;
        progress.at_after(done, Duration::from_micros(done * 10_000_000 / (15 * MIB)));
    }
    progress.finish("16 MiB in 11.3 s");
    progress.at(3);
    page.text()
}

#[test]
fn plain_lines_come_at_each_quarter() {
    assert_eq!(
        second_read(Mode::Lines),
        "\
second read: 4 of 16 MiB, about 8 s left
second read: 8 of 16 MiB, about 6 s left
second read: 12 of 16 MiB, about 3 s left
second read: 16 MiB in 11.3 s
"
    );
}

/// Who hears the lines read out does not wait longer than that for a sign of life.
#[test]
fn plain_lines_come_every_30_s_where_a_quarter_takes_longer() {
    let page = Page::default();
    let mut progress = Progress::onto(Mode::Lines, Box::new(page.clone()), || Some(40));
    progress.start("second read", 64 * MIB, Unit::Bytes);
    for second in 0..=80 {
        progress.at_after(second * MIB / 10, Duration::from_secs(second));
    }
    assert_eq!(
        page.text(),
        "\
second read: 3 of 64 MiB, about 610 s
left
second read: 6 of 64 MiB, about 580 s
left
"
    );
}

#[test]
fn json_lines_are_json_and_end() {
    let text = second_read(Mode::Json);
    let events: Vec<serde_json::Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(events.len(), 17);
    assert_eq!(events[0]["event"], "begun");
    assert_eq!(events[4]["event"], "progress");
    assert_eq!(events[4]["stage"], "second read");
    assert_eq!(events[4]["done"], 4 * MIB);
    assert_eq!(events[4]["unit"], "bytes");
    assert_eq!(events[16]["event"], "finished");
}

#[test]
fn silence_is_silent() {
    assert_eq!(second_read(Mode::Silent), "");
}

#[test]
fn the_waterline_keeps_its_other_stream_clean_and_shows_what_is_in_hand() {
    assert_eq!(second_read(Mode::Waterline), "");
    let mut progress = Progress::onto(Mode::Waterline, Box::new(Page::default()), || None);
    progress.start("writing", 156, Unit::Steps);
    progress.at_after(78, Duration::from_secs(18));
    progress.beside("in hand", "0x530000 in system: erased");
    progress.beside("in hand", "0x530000 in system: erased, being programmed");
    let stage = progress.stage.as_ref().unwrap();
    assert_eq!(
        stage.picture(&stage.reached.words(Duration::from_secs(18))),
        "\
writing  ''''''''|........  78 of 156, about 18 s left
in hand  0x530000 in system: erased, being programmed"
    );
}

#[test]
fn a_narrow_terminal_gets_the_words_alone() {
    assert_eq!(
        fitted("writing: 78 of 156, about 18 s left", Some(20)),
        "writing: 78 of 156,\nabout 18 s left"
    );
    assert_eq!(fitted("writing: 78 of 156", None), "writing: 78 of 156");
}

/// The widest words that a unit of eight letters can have keep within the screen.
#[test]
fn the_waterline_of_one_unit_among_others_keeps_within_the_screen() {
    let mut stage = Stage {
        label: "second read".into(),
        of: Some("gauge-07".into()),
        reached: Reached {
            done: 6 * MIB,
            total: 16 * MIB,
            unit: Unit::Bytes,
        },
        begun: Instant::now(),
        parts_told: 0,
        told_at: Duration::ZERO,
        in_hand: Vec::new(),
        columns: || None,
        bar: Some(ProgressBar::hidden()),
    };
    let shown = |stage: &Stage| stage.bar.as_ref().unwrap().message();
    stage.draw(Duration::from_millis(42_000));
    assert_eq!(
        shown(&stage),
        "gauge-07  ''''''|..........  second read, about 70 s left"
    );
    stage.reached.done = stage.reached.total;
    stage.leave("16 MiB in 112.4 s");
    let line = shown(&stage);
    assert_eq!(
        line,
        "gauge-07  ''''''''''''''''|  second read: 16 MiB in 112.4 s"
    );
    assert!(line.len() <= 60, "{}", line.len());
    stage.columns = || Some(40);
    stage.leave("16 MiB in 112.4 s");
    assert_eq!(shown(&stage), "gauge-07, second read: 16 MiB in\n112.4 s");
}
