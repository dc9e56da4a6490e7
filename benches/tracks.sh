#!/usr/bin/env bash
# How do time and memory of a check grow with the tracks of a take?
# usage: benches/tracks.sh [SECONDS] [RUNS] [TRACKS...]
#
# Takes of SECONDS (300) with 2, 8, 16 and 32 tracks: a boom, mixes and body microphones, one a talker. CPU (user and system) of one
# thread and peak memory, the least of RUNS (3), and CPU for a minute of a track: what is compared pair by pair makes it grow.
# Another binary: TAKEPROOF=path/to/takeproof benches/tracks.sh
set -euo pipefail
seconds="${1:-300}" runs="${2:-3}"
shift $(($# < 2 ? $# : 2))
counts=("${@:-2 8 16 32}")
. "$(dirname "$0")/timing.sh"
cargo build --release --quiet --example long_take
machine
printf '%6s %8s %22s %8s\n' tracks 'CPU s' 'ms a minute of a track' MiB
for tracks in ${counts[*]}; do
    "$built/examples/long_take" "$work/take.wav" "$tracks" "$seconds"
    for _ in $(seq "$runs"); do
        timed "$tracks" '%U %S %M' "$TAKEPROOF" check --no-plots --no-catalogue --threads 1 --force --out "$work/report" "$work/take.wav"
    done
    awk -v n="$tracks" -v s="$seconds" '{ cpu = $1 + $2 } NR == 1 || cpu < c { c = cpu } NR == 1 || $3 < m { m = $3 }
        END { printf "%6d %8.2f %22.1f %8.0f\n", n, c, 60000 * c / n / s, m / 1024 }' "$work/$tracks"
done
