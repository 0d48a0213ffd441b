//! What the standard library would bring: memory, and what happens at a fault of this library's own.

use core::alloc::{GlobalAlloc, Layout};
use core::ffi::c_void;

// SAFETY: the C library's own declarations (ISO C17, sections 7.22.3 and 7.22.4).
#[allow(unsafe_code)]
unsafe extern "C" {
    fn malloc(size: usize) -> *mut c_void;
    fn free(memory: *mut c_void);
    fn abort() -> !;
}

/// The greatest alignment that malloc's memory is good for on every machine: that of a pointer.
const ALIGNED: usize = align_of::<*mut c_void>();

struct FromC;

// SAFETY: malloc's memory is nobody else's until it is freed, and is aligned for a pointer; what asks for
// more, and nothing in payrig-mdb does, gets none.
#[allow(unsafe_code)]
unsafe impl GlobalAlloc for FromC {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        if layout.align() > ALIGNED {
            return core::ptr::null_mut();
        }
        // SAFETY: malloc takes any size.
        unsafe { malloc(layout.size()) }.cast()
    }

    unsafe fn dealloc(&self, memory: *mut u8, _: Layout) {
        // SAFETY: it came from malloc, above, and is given back once.
        unsafe { free(memory.cast()) }
    }
}

#[global_allocator]
static MEMORY: FromC = FromC;

#[panic_handler]
fn ended(_: &core::panic::PanicInfo<'_>) -> ! {
    // SAFETY: abort takes nothing and does not return.
    #[allow(unsafe_code)]
    unsafe {
        abort()
    }
}
