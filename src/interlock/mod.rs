//! interlock
