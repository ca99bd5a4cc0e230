//! image
