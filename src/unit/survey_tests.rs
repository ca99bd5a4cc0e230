use super::*;
use crate::unit::store::SimulatedStore;

const SIZE_BYTES: u32 = 8192;

fn of(passes: u32) -> Surveyed {
    Surveyed {
        jedec_id: "EF 40 14".into(),
        unique_id: Some("01 02".into()),
        link: "mock".into(),
        size_bytes: SIZE_BYTES,
        sck_hz: 20_000_000,
        passes,
    }
}

fn facts() -> SurveyPass {
    SurveyPass {
        sck_hz: 5_000_000,
        opcode: 3,
        downwards: false,
        first_bytes: 811,
        frame_bytes: 4092,
        short_bytes: 4068,
        seconds: 0.5,
        lost: vec!["FF FF FF".into()],
    }
}

fn unit(files: &SimulatedStore) -> Unit {
    let store: Arc<dyn Store> = Arc::new(files.clone());
    Unit::open_or_create(store, Path::new("/gauge-07")).unwrap()
}

/// One pass of `byte`, with another value at 100.
fn pass(survey: &mut Survey, byte: u8, odd: u8) {
    let mut bytes = vec![byte; SIZE_BYTES as usize];
    bytes[100] = odd;
    let mut file = survey.begin_pass().unwrap();
    for start in [4096, 0] {
        file.take(start as u64, &bytes[start..start + 4096])
            .unwrap();
    }
    survey.keep_pass(file, facts()).unwrap();
}

#[test]
fn passes_are_kept_as_they_differ_and_go_on() {
    let files = SimulatedStore::new();
    {
        let unit = unit(&files);
        let mut survey = unit.survey(&of(6)).unwrap();
        survey.must_have_room().unwrap();
        pass(&mut survey, 0x55, 1);
        pass(&mut survey, 0x55, 3);
        // Cut short in the third, and behind the file of the fourth.
        survey.begin_pass().unwrap().take(0, &[9; 16]).unwrap();
    }
    let lost = Path::new("/gauge-07/survey-1/pass-3.xor");
    files.replace(lost, b"not recorded").unwrap();
    let unit = unit(&files);
    let mut survey = unit.survey(&of(6)).unwrap();
    assert_eq!(survey.name(), "survey-1");
    assert_eq!(survey.file().passes, [facts(), facts()]);
    assert!(!files.exists(lost).unwrap());
    pass(&mut survey, 0x55, 1);
    let passes = survey.open_passes().unwrap();
    let mut bytes = [0; 3];
    let mut at_99 = |pass: usize| {
        passes[pass].read_exact_at(99, &mut bytes).unwrap();
        bytes
    };
    assert_eq!(at_99(0), [0x55, 1, 0x55]);
    assert_eq!(at_99(1), [0, 2, 0]);
    assert_eq!(at_99(2), [0, 0, 0]);
    for pass in &passes {
        assert_eq!(pass.size_bytes().unwrap(), u64::from(SIZE_BYTES));
    }
    // Another chip is for whoever goes on to look at; another link is another survey.
    let chip = Surveyed {
        unique_id: None,
        ..of(6)
    };
    assert_eq!(unit.survey(&chip).unwrap().file().chip, of(6));
    let link = Surveyed {
        link: "another".into(),
        ..of(6)
    };
    assert_eq!(unit.survey(&link).unwrap().name(), "survey-2");
    // Other passes are another survey, and so is one that comes after a verdict.
    assert_eq!(unit.survey(&of(7)).unwrap().name(), "survey-3");
    let mut last = unit.survey(&of(7)).unwrap();
    assert_eq!(last.name(), "survey-3");
    last.begin_guess().unwrap();
    last.finish(Digest([1; 32]), "<svg/>", "steady".into())
        .unwrap();
    assert_eq!(unit.survey(&of(7)).unwrap().name(), "survey-4");
    let folder = Path::new("/gauge-07/survey-3");
    assert_eq!(files.mode(&folder.join(BEST_GUESS)).unwrap(), 0o400);
    assert_eq!(files.read(&folder.join(PICTURE)).unwrap(), b"<svg/>");
}

#[test]
fn a_record_that_cannot_be_read_is_told_with_its_place() {
    let files = SimulatedStore::new();
    let unit = unit(&files);
    let survey = unit.survey(&of(6)).unwrap();
    let text = survey.file().text().unwrap();
    assert_eq!(
        SurveyFile::parse(Path::new("x"), text.as_bytes()).unwrap(),
        *survey.file()
    );
    let path = Path::new("/gauge-07/survey-1/survey.toml");
    files
        .replace(path, text.replace("format = 1", "format = 2").as_bytes())
        .unwrap();
    let error = unit.survey(&of(6)).unwrap_err().to_string();
    assert!(
        error.contains("line 2") && error.contains("form 2"),
        "{error}"
    );
    files.replace(path, b"zzz = 1\n").unwrap();
    let error = unit.survey(&of(6)).unwrap_err().to_string();
    assert!(error.contains("line 1"), "{error}");
}
