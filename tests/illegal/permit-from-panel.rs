// E0624
use norlock::interlock::{Panel, Permit};

pub fn permit(panel: Panel) -> Option<Permit> {
    panel.permit().ok()
}
