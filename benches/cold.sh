#!/usr/bin/env bash
# How long does a check of a file take that is not in memory yet, against the longer of reading it cold and checking it warm?
# usage: benches/cold.sh FILE [RUNS]
#
# The file is dropped from the page cache (posix_fadvise DONTNEED, by way of dd) before each cold run. The shortest of RUNS (5)
# counts, interleaved. Another binary: TAKEPROOF=path/to/takeproof benches/cold.sh FILE
set -euo pipefail
file="$(realpath "${1:?usage: benches/cold.sh FILE [RUNS]}")"
runs="${2:-5}"
. "$(dirname "$0")/timing.sh"

drop() {
    sync "$file"
    dd if="$file" iflag=nocache count=0 status=none
}
check() {
    timed "$1" %e "$TAKEPROOF" check --no-plots --no-catalogue --force --out "$work/report" "$file"
}
for _ in $(seq "$runs"); do
    drop
    timed cat %e cat "$file"
    drop
    check cold
    check warm
done
least() { sort -n "$work/$1" | head -1; }
machine
awk -v read="$(least cat)" -v cold="$(least cold)" -v warm="$(least warm)" -v bytes="$(stat -c %s "$file")" 'BEGIN {
    longer = read > warm ? read : warm
    printf "%d MB: cold cat %.2f s (%.0f MB/s), warm check %.2f s, cold check %.2f s: %.3f of the longer one\n",
        bytes / 1e6, read, bytes / 1e6 / read, warm, cold, cold / longer
}'
