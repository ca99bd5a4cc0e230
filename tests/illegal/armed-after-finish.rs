// E0382
use norlock::chip::{Armed, Pass};
use norlock::jedec::Address;

pub fn write(mut armed: Armed, pass: &Pass) {
    let _ = armed.finish(pass, &mut |_, _| true);
    let _ = armed.program(Address(0), &[0]);
}
