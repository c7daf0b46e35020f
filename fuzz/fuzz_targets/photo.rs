//! Photo bytes. Half of the mutations change a PNG's chunks or a JPEG's segments and write lengths and checksums anew, so that the
//! decoders see what is inside them.
#![no_main]

#[path = "../../tests/hostile/mod.rs"]
mod hostile;
mod pieces;

/// Pictures that claim more pixels than this take a second each.
const MANY_PIXELS: u64 = 4_000_000;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    // one of sixteen of the large ones is enough, always the same ones
    let rest = bytes
        .iter()
        .fold(0_u8, |sum, b| sum.wrapping_mul(31).wrapping_add(*b))
        % 16;
    if rest == 0 || pieces::claimed_pixels(bytes) <= MANY_PIXELS {
        hostile::photo(bytes);
    }
});

libfuzzer_sys::fuzz_mutator!(|data: &mut [u8], size: usize, max_size: usize, seed: u32| {
    pieces::mutate(data, size, max_size, seed)
});
