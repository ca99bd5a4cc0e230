//! `survey.toml`: what is read is the same when written and read again.

use std::path::Path;

use norlock::unit::survey::SurveyFile;

/// Reads the record of a survey.
pub fn check(bytes: &[u8]) -> bool {
    match SurveyFile::parse(Path::new("survey.toml"), bytes) {
        Ok(file) => {
            let text = file.text().unwrap();
            let again = SurveyFile::parse(Path::new("written"), text.as_bytes());
            let again = again.unwrap_or_else(|error| panic!("{error}\n{text}"));
            // By their text: a time may be no number, which is not even itself.
            assert_eq!(again.text().unwrap(), text);
            true
        }
        Err(error) => {
            super::assert_told(bytes, &error);
            false
        }
    }
}
