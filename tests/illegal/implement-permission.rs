// E0277
use norlock::chip::Permission;

pub struct Mine;

impl Permission for Mine {}
