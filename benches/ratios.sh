#!/usr/bin/env bash
# How long does a check take against the loudness meter of a well-known tool on the same file, interleaved in one run?
# usage: benches/ratios.sh FILE [RUNS]
#
# The reference is `ffmpeg -nostdin -v error -i FILE -af ebur128=peak=true -f null -`, one thread of measuring: read, decode,
# loudness and true peak, nothing else. Against it stands `takeproof check --no-plots --no-catalogue` with everything it
# finds, on one thread and on two. The shortest of RUNS (5) counts, wall and CPU (user and system) each, so that a busy
# machine disturbs less; the CPU ratio hangs on other load least. A file to measure with:
#   cargo run --release --example long_take -- long.wav 8 600
# Another binary, for example of an earlier commit: TAKEPROOF=path/to/takeproof benches/ratios.sh FILE
set -euo pipefail
file="$(realpath "${1:?usage: benches/ratios.sh FILE [RUNS]}")"
runs="${2:-5}"
. "$(dirname "$0")/timing.sh"

# Wall s, CPU s (user, system), peak memory KiB.
taken='%e %U %S %M'
check() {
    timed "check-$1" "$taken" "$TAKEPROOF" check --no-plots --no-catalogue --threads "$1" --force --out "$work/report" "$file"
}
cat "$file" >/dev/null
for _ in $(seq "$runs"); do
    timed reference "$taken" ffmpeg -nostdin -v error -i "$file" -af ebur128=peak=true -f null -
    check 2
    check 1
done

least() { awk -v what="$2" '{ v = what == "wall" ? $1 : what == "cpu" ? $2 + $3 : $4 } NR == 1 || v < m { m = v } END { print m }' "$work/$1"; }
seconds="$(ffprobe -v error -show_entries format=duration -of csv=p=0 "$file")"
bytes="$(stat -c %s "$file")"
machine
echo "$(basename "$file"): $seconds s, $bytes bytes; minimum of $runs runs, interleaved"
printf '%-22s %8s %8s %10s %10s %10s %8s %8s\n' '' 'wall s' 'CPU s' 'wall ratio' 'CPU ratio' 'real time' 'MB/s' 'MiB'
for list in reference check-1 check-2; do
    awk -v name="$list" -v wall="$(least "$list" wall)" -v cpu="$(least "$list" cpu)" -v kib="$(least "$list" memory)" \
        -v rw="$(least reference wall)" -v rc="$(least reference cpu)" -v s="$seconds" -v b="$bytes" \
        'BEGIN { printf "%-22s %8.2f %8.2f %10.3f %10.3f %9.0fx %8.0f %8.0f\n", name, wall, cpu, wall / rw, cpu / rc, s / wall, b / wall / 1e6, kib / 1024 }'
done
