#![no_main]

norlock_fuzz::target!(shelf);
