//! chip
