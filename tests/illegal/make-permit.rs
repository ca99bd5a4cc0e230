// E0451
use norlock::interlock::Permit;
use norlock::link::Scope;

pub fn permit() -> Permit {
    Permit { scope: Scope::Array }
}
