//! With the wall clock: pseudo-terminals, threads, other processes, programs in other languages. The
//! machine may stall: no times are asserted.
#![cfg(target_os = "linux")]

mod examine;
mod links;
mod ptys;
mod run;
mod stopped;
mod witnesses;
