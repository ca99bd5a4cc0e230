// E0603
pub struct Mine;

impl norlock::chip::Sealed for Mine {}
