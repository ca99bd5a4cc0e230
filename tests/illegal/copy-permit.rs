// E0277
use norlock::interlock::Permit;

pub fn another(permit: &Permit) -> Permit {
    copied(permit)
}

fn copied<T: Clone>(one: &T) -> T {
    one.clone()
}
