// E0624
use norlock::interlock::{Acceptances, Panel};

pub fn open() -> Panel {
    let mut panel = Panel::new(Acceptances::default());
    panel.sole_user(None);
    panel
}
