#!/usr/bin/env bash
# Writes the page that runs by itself in a browser: `src/wasm/build.sh DIR`. DIR then holds all of it; put it on any web space with
# https, or serve it on this machine: `python3 -m http.server --directory DIR`.
# `--check` only checks its Rust (exit status 3: Rust has no standard library for browsers here).
set -euo pipefail
[ "$#" -eq 1 ] || { echo 'usage: src/wasm/build.sh DIR | --check' >&2; exit 2; }
task=$1
if [ "$task" != --check ]; then
  mkdir -p "$task"
  out=$(cd "$task" && pwd)
  [ -z "$(ls -A "$out")" ] || [ -f "$out/bossmark.wasm" ] || { echo "$out holds other files: name an empty folder" >&2; exit 2; }
fi
cd "$(dirname "$0")/../.."

target=wasm32-unknown-unknown
flags=(--locked --lib --profile browser --target "$target")
# The standard library for that target: from rustup, or built from Debian's sources with Debian's compiler.
if rustc --print sysroot >/dev/null 2>&1 && [ -d "$(rustc --print sysroot)/lib/rustlib/$target" ]; then
  with_target() { cargo "$1" "${flags[@]}" "${@:2}"; }
elif [ -d /usr/lib/rustlib/src/rust/library ] && [ -x /usr/bin/rustc ] && [ -x /usr/bin/cargo ] && command -v wasm-ld >/dev/null 2>&1; then
  with_target() {
    RUSTC=/usr/bin/rustc RUSTC_BOOTSTRAP=1 CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_LINKER=wasm-ld \
      /usr/bin/cargo "$1" "${flags[@]}" -Zbuild-std=std,panic_abort "${@:2}"
  }
else
  cat >&2 <<'SAY'
Rust has no standard library for browsers here. One of these brings it:
  rustup target add wasm32-unknown-unknown
  apt-get install --no-install-recommends rustc-web cargo-web rust-web-src lld
SAY
  exit 3
fi
if [ "$task" = --check ]; then
  with_target check --target-dir target/wasm/plain-build
  exit 0
fi

# The tool that writes the JavaScript beside the compiled program; its lock file has the very version that the program is built with.
bindings=target/page-bindings/release/page-bindings
cargo build --quiet --release --locked --manifest-path src/wasm/bindings/Cargo.toml --target-dir target/page-bindings

# With vector instructions, and for browsers without them, at the same time. Inlining less than usual takes a tenth of the program away
# and no speed.
build() {
  local kind=$1 features=$2
  RUSTFLAGS="${RUSTFLAGS:-} -Ctarget-feature=$features" with_target rustc --target-dir "target/wasm/$kind-build" --crate-type cdylib \
    -- -Cllvm-args=-inline-threshold=60
  "$bindings" "target/wasm/$kind-build/$target/browser/bossmark.wasm" "target/wasm/$kind"
}
build simd +simd128 &
with_vectors=$!
build plain -simd128
wait "$with_vectors"
cmp target/wasm/simd/bossmark.js target/wasm/plain/bossmark.js

find "$out" -mindepth 1 -delete
cp src/server/web/*.js src/server/web/style.css src/server/web/icon.svg src/wasm/web/* "$out"
rm "$out/sign-in.js"
cp src/report/plot.css "$out"
mkdir "$out/practice"
cp sample-photos/evening/evening-[123].jpg "$out/practice"
cp target/wasm/plain/bossmark.js "$out"
cp target/wasm/plain/bossmark_bg.wasm "$out/bossmark.wasm"
# compressed here, as not every host does it
# zopfli packs the same format some 65 kB smaller
if command -v zopfli >/dev/null 2>&1; then
  zopfli --i5 -c target/wasm/simd/bossmark_bg.wasm >"$out/bossmark-simd.wasm.gz"
else
  gzip -9 --no-name --stdout target/wasm/simd/bossmark_bg.wasm >"$out/bossmark-simd.wasm.gz"
fi
printf '// Who answers this page: a worker of this browser.\n\nexport { core } from "./local.js";\n' >"$out/engine.js"
policy="default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; worker-src 'self' blob:; style-src 'self'; img-src 'self' blob:; \
connect-src 'self' blob:; manifest-src 'self'; base-uri 'none'; form-action 'none'"
# the program and its worker take longest: they are asked for before the rest of the page
first=$(printf '<script type="module" async src="./%s.js"></script>\\n' module local)
first+=$(printf '<link rel="modulepreload" href="./%s.js">\\n' core units dom)
sed -e 's|"/web/|"./|g' \
  -e "s|<meta charset=\"utf-8\">|&\n<meta http-equiv=\"Content-Security-Policy\" content=\"$policy\">|" \
  -e 's|<script type="module" src="./main.js"></script>|&\n<script type="module" src="./device.js"></script>|' \
  -e '/modulepreload.*\/\(core\|dom\|units\)\.js/d' \
  -e "s|<link rel=\"icon\"|$first&|" \
  src/server/web/index.html >"$out/index.html"
practice=$(cd "$out" && printf '"%s",' practice/*.jpg)
sed -i "s|@PRACTICE@|[${practice%,}]|" "$out/device.js"
files=$(cd "$out" && find . -type f ! -name service-worker.js ! -name bossmark.wasm -printf '"%p",\n' | LC_ALL=C sort | tr -d '\n')
print=$(cd "$out" && find . -type f -print0 | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum | cut -c 1-16)
sed -i -e "s|@VERSION@|bossmark-$print|" -e "s|@FILES@|[\"./\",${files%,}]|" -e "s|@POLICY@|$policy|" "$out/service-worker.js"
echo "$out: $(find "$out" -type f | wc -l) files, $(du -sh "$out" | cut -f 1)"
