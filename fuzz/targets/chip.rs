#![no_main]

norlock_fuzz::target!(chip);
