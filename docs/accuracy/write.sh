#!/usr/bin/env bash
# Writes files of this folder anew, or prints figures: every figure here comes from one of these programs.
#
#   docs/accuracy/write.sh sweep                                    photos that the program draws itself
#   PHOTOS=DIR docs/accuracy/write.sh rendered                      photos with known truth (`photo-truth/1`)
#   PHOTOS=DIR TRUTH=DIR docs/accuracy/write.sh real                photographs annotated by a person (`real-truth/1`)
#   docs/accuracy/write.sh evening reading advice                   printed only: `reading.md` and `advice.md` are put
#                                                                   together by hand from several runs
set -euo pipefail
cd "$(dirname "$0")/../.."
[ $# -gt 0 ] || { sed -n '2,/^set/s/^# \{0,1\}//p' docs/accuracy/write.sh >&2; exit 2; }
cargo build --locked --release --examples --bins
bin=target/release/examples
new=$(mktemp)
trap 'rm -f "$new"' EXIT

figures() {
  case $1 in
    rendered)
      printf '# Rendered photos with known truth\nNothing was fitted on them. *Unkind*: hard light, far away, wet or shaken.\n\n'
      "$bin/accuracy" "$PHOTOS" --markdown ;;
    real)
      printf '# Photographs annotated by a person\nThe nets were fitted on these too; `calibration/training/LOG.md` has the cross-validated figures. Lengths in thousandths of the printed diameter: an eye marks to about one.\n\n'
      "$bin/accuracy" --real "$PHOTOS" ${TRUTH:+"$TRUTH"} --markdown ;;
    evening)
      printf '# The sample evening\n\n'
      "$bin/accuracy" sample-photos/evening --markdown ;;
    sweep)
      printf '# One thing changed at a time\nPhotos that the program draws itself (`bossmark rehearse`; 2048 × 1536 px, six a row, four faces in turn, 3 to 12 shafts, camera 6 to 32° to the side): where figures begin to fall, not how good they are on a range.\n\n'
      "$bin/sweep" --markdown ;;
    reading)
      printf '# The reading\nSessions drawn with known truth.\n\n```\n'
      "$bin/reading_bench"
      printf '```\n' ;;
    advice)
      printf '# The advice\nHidden bows played end by end.\n\n```\n'
      "$bin/advice_bench"
      printf '```\n' ;;
    *) echo "what is $1?" >&2; return 2 ;;
  esac
}

for name; do
  case $name in
    evening | reading | advice) figures "$name"; continue ;;
  esac
  figures "$name" >"$new"
  printf '\nWritten by `docs/accuracy/write.sh` on %s at `%s`.\n' "$(date +%F)" "$(git rev-parse --short HEAD)" >>"$new"
  cp "$new" "docs/accuracy/$name.md"
done
