// E0382
use norlock::chip::Armed;
use norlock::jedec::Address;

pub fn write(mut armed: Armed) {
    let _ = armed.disarmed();
    let _ = armed.program(Address(0), &[0]);
}
