// E0277
use norlock::interlock::Permit;

pub fn permit() -> Permit {
    made()
}

fn made<T: Default>() -> T {
    T::default()
}
