#!/usr/bin/env bash
# How long does a check of a file take that is not in memory yet, against the longer of reading it cold and checking it warm?
# usage: benches/cold.sh FILE [RUNS]
#
# The file is dropped from the page cache (posix_fadvise DONTNEED, by way of dd) before each cold run. The shortest of RUNS (5)
# counts, interleaved. Another binary: TAKEPROOF=path/to/takeproof benches/cold.sh FILE
set -euo pipefail
file="$(realpath "${1:?usage: benches/cold.sh FILE [RUNS]}")"
runs="${2:-5}"
cd "$(dirname "$0")/.."
if [ -z "${TAKEPROOF:-}" ]; then
    cargo build --release --quiet
    TAKEPROOF=target/release/takeproof
fi
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT

drop() {
    sync "$file"
    dd if="$file" iflag=nocache count=0 status=none
}
# Wall seconds of a command, appended to a list.
timed() {
    local list="$1"
    shift
    /usr/bin/time -q -a -o "$work/$list" -f '%e' "$@" >"$work/out" 2>&1 || [ $? -eq 1 ] || { cat "$work/out"; exit 1; }
}
check() {
    timed "$1" "$TAKEPROOF" check --no-plots --no-catalogue --force --out "$work/report" "$file"
}
for _ in $(seq "$runs"); do
    drop
    timed cat cat "$file"
    drop
    check cold
    check warm
done
least() { sort -n "$work/$1" | head -1; }
echo "commit $(git describe --always --dirty), $(lscpu | sed -n 's/^Model name: *//p'), $(nproc) cores, load $(cut -d' ' -f1 /proc/loadavg)"
awk -v read="$(least cat)" -v cold="$(least cold)" -v warm="$(least warm)" -v bytes="$(stat -c %s "$file")" 'BEGIN {
    longer = read > warm ? read : warm
    printf "%d MB: cold cat %.2f s (%.0f MB/s), warm check %.2f s, cold check %.2f s: %.3f of the longer one\n",
        bytes / 1e6, read, bytes / 1e6 / read, warm, cold, cold / longer
}'
