//! A part that is in the table only to be refused.

use serde::Deserialize;
use toml::Spanned;

use super::entry::{check_id, check_markings};
use super::piece::RawSource;
use super::{Located, PartFault, require};
use crate::part::{JedecId, Refused};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawRefused {
    pub(super) name: Spanned<String>,
    markings: Vec<Spanned<String>>,
    jedec_ids: Vec<Spanned<Vec<u8>>>,
    why: Spanned<String>,
    source: Spanned<RawSource>,
}

impl RawRefused {
    /// Checks every value and makes a refused part of them.
    pub(super) fn check(&self, maker: &str) -> Result<Refused, Located> {
        for text in [&self.name, &self.why] {
            let fault = PartFault::Empty {
                what: "name or why",
            };
            require(!text.get_ref().trim().is_empty(), text, fault)?;
        }
        check_markings(&self.markings)?;
        for id in &self.jedec_ids {
            check_id(id)?;
        }
        let ids = self.jedec_ids.iter();
        Ok(Refused {
            maker: maker.to_owned(),
            name: self.name.get_ref().clone(),
            markings: self.markings.iter().map(|m| m.get_ref().clone()).collect(),
            jedec_ids: ids.map(|id| JedecId(id.get_ref().clone())).collect(),
            why: self.why.get_ref().clone(),
            source: self.source.get_ref().check(&self.source)?,
        })
    }
}
