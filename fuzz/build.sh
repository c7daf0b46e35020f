#!/usr/bin/env bash
# Builds every fuzz target with the flags of cargo-fuzz, without it: `fuzz/build.sh`. The programs are then in
# fuzz/target/x86_64-unknown-linux-gnu/release. Needs a nightly toolchain.
set -euo pipefail
cd "$(dirname "$0")"
triple=$(rustc +nightly -vV | sed -n 's/^host: //p')
export RUSTFLAGS="--cfg fuzzing -Zsanitizer=address -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
  -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
  -Cllvm-args=-sanitizer-coverage-trace-compares -Cllvm-args=-simplifycfg-branch-fold-threshold=0 ${RUSTFLAGS:-}"
CARGO_TARGET_DIR=$PWD/target exec cargo +nightly build --release --target "$triple" --bins "$@"
