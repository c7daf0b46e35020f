#!/usr/bin/env bash
# A big archive of photos on a cluster: each task of the array takes its share by content and writes its own records, so
# there is nothing to merge. Then once, anywhere, the same command without --shard: everything is done already, and the
# summary and the report cover it all.
#
#   sbatch --array=1-16 examples/slurm-day.sh ARCHIVE RECORDS [more options of `bossmark day`]
#   bossmark day ARCHIVE --out RECORDS --report archive.html
#
#SBATCH --job-name=bossmark-day
#SBATCH --cpus-per-task=2
#SBATCH --mem=1G
set -euo pipefail
archive=$1 records=$2
shift 2
exec bossmark day "$archive" --out "$records" --threads "${SLURM_CPUS_PER_TASK:-2}" \
  --shard "$SLURM_ARRAY_TASK_ID/$SLURM_ARRAY_TASK_COUNT" "$@"
