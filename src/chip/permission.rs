//! Who may arm a chip.

use crate::link::Scope;

/// Proof that every interlock which the change needs is open. Only [`crate::interlock::Permit`] implements it, and only the
/// interlocks can make one.
///
/// ```compile_fail,E0603
/// struct Mine;
/// impl norlock::chip::Sealed for Mine {}
/// ```
pub trait Permission: Sealed {
    /// What may be changed with it: the least, where nothing more is said.
    fn scope(&self) -> Scope {
        Scope::Protection
    }
}

/// Keeps [`Permission`] from being implemented elsewhere.
pub trait Sealed {}
