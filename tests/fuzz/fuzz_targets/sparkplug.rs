#![no_main]

#[path = "../inputs.rs"]
mod inputs;

libfuzzer_sys::fuzz_target!(|data: &[u8]| inputs::sparkplug(data));
