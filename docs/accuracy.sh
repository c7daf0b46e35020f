#!/usr/bin/env bash
# Writes docs/accuracy.md anew: every figure in it comes from a program run here.
#
#   docs/accuracy.sh                                       the sample photos and what is drawn here (some half an hour)
#   PHOTOS=DIR REAL=PHOTOS REAL_TRUTH=DIR docs/accuracy.sh   photos with known truth and annotated photographs as well
set -euo pipefail
cd "$(dirname "$0")/.."
cargo build --locked --release --examples --bins
run() { "target/release/examples/$@"; }
out=docs/accuracy.md
new=$(mktemp)
trap 'rm -f "$new"' EXIT
{
  printf '# Accuracy\nWritten by `docs/accuracy.sh` on %s at `%s`; what each figure means stands beside it.\n' \
    "$(date +%F)" "$(git rev-parse --short HEAD)"
  if [ -n "${PHOTOS:-}" ]; then
    printf '\n## Rendered photos with known truth\nNothing was fitted on them. *Unkind*: hard light, far away, wet or shaken.\n\n'
    run accuracy "$PHOTOS" --markdown
  fi
  if [ -n "${REAL:-}" ]; then
    printf '\n## Photographs annotated by a person\nThe nets were fitted on these too: `calibration/shaft-net/train/README.md` has the cross-validated figures. Lengths in thousandths of the printed diameter; an eye marks to about one.\n\n'
    run accuracy --real "$REAL" ${REAL_TRUTH:+"$REAL_TRUTH"} --markdown
  fi
  printf '\n## The sample evening\n\n'
  run accuracy sample-photos/evening --markdown
  printf '\n## One thing changed at a time\nPhotos that the program draws itself (`bossmark rehearse`): where figures begin to fall, not how good they are on a range.\n\n'
  run sweep --markdown
  printf '\n## The reading\nSessions drawn with known truth.\n\n```\n'
  run reading_bench
  printf '```\n\n## The advice\nHidden bows played end by end.\n\n```\n'
  run advice_bench
  printf '```\n'
} >"$new"
cp "$new" "$out"
