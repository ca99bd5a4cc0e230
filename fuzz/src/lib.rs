//! What the fuzz targets share: the properties they check, the inputs they begin with, and a limit
//! on single allocations.

pub mod properties;

pub use libfuzzer_sys;

use std::alloc::{GlobalAlloc, Layout, System};
use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Defines the fuzz target `$name`: it writes its first inputs, then checks the properties.
#[macro_export]
macro_rules! target {
    ($name:ident) => {
        $crate::libfuzzer_sys::fuzz_target!(
            init: $crate::write_seeds(stringify!($name)),
            |bytes: &[u8]| {
                $crate::properties::$name::check(bytes);
            }
        );
    };
}

/// Writes the inputs that a target begins with into its corpus.
pub fn write_seeds(target: &str) {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let corpus = here.join("corpus").join(target);
    fs::create_dir_all(&corpus).unwrap();
    if target == "formats" {
        ALLOCATION_BYTES_MAX.store(FORMATS_BYTES_MAX, Ordering::Relaxed);
    }
    for (number, seed) in properties::seeds::of(target, &here.join(".."))
        .iter()
        .enumerate()
    {
        fs::write(corpus.join(format!("seed-{number}")), seed).unwrap();
    }
}

/// No file that norlock reads whole may make it ask for more than this at once.
static ALLOCATION_BYTES_MAX: AtomicUsize = AtomicUsize::new(1 << 20);
/// Within an image, content may be unpacked: two blocks of 4 MiB with a window of 64 KiB in an LZ4
/// frame, or a dictionary of 8 MiB.
const FORMATS_BYTES_MAX: usize = 9 << 20;

struct Limited;

#[global_allocator]
static LIMITED: Limited = Limited;

fn judge(bytes: usize) {
    if bytes > ALLOCATION_BYTES_MAX.load(Ordering::Relaxed) {
        eprintln!("an allocation of {bytes} bytes");
        std::process::abort();
    }
}

// SAFETY: every call goes on to the system's allocator as it came.
unsafe impl GlobalAlloc for Limited {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        judge(layout.size());
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        judge(layout.size());
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, at: *mut u8, layout: Layout, new_bytes: usize) -> *mut u8 {
        judge(new_bytes);
        unsafe { System.realloc(at, layout, new_bytes) }
    }

    unsafe fn dealloc(&self, at: *mut u8, layout: Layout) {
        unsafe { System.dealloc(at, layout) }
    }
}
