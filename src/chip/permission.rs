//! Who may arm a chip.

/// Proof that every interlock is open. Only [`crate::interlock::Permit`] implements it, and only the
/// interlocks can make one.
///
/// ```compile_fail,E0603
/// struct Mine;
/// impl norlock::chip::Sealed for Mine {}
/// ```
pub trait Permission: Sealed {}

/// Keeps [`Permission`] from being implemented elsewhere.
pub trait Sealed {}
