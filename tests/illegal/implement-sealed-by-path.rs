// E0603
pub struct Mine;

impl norlock::chip::permission::Sealed for Mine {}
