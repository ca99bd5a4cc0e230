//! mock
