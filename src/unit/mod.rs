//! unit
