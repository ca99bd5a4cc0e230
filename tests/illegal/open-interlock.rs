// E0624
use norlock::interlock::{Interlock, Panel};

pub fn open(panel: &mut Panel) {
    panel.open(Interlock::OfflineHash, "trust me");
}
