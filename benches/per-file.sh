#!/usr/bin/env bash
# What does a file cost beyond its audio? Many short takes in one folder against the seconds of one long take.
# usage: benches/per-file.sh [TAKES] [SECONDS] [TRACKS]
#
# Overhead per file = CPU of the folder / TAKES - SECONDS * CPU of a second of the long take, once more with half as many takes:
# where it grows with their number, something is worse than linear. CPU (user and system) of one thread, because it hangs on other load least.
# Another binary: TAKEPROOF=path/to/takeproof benches/per-file.sh
set -euo pipefail
long_s=600
takes="${1:-2000}" seconds="${2:-5}" tracks="${3:-2}"
. "$(dirname "$0")/timing.sh"
cargo build --release --quiet --example many_takes --example long_take
"$built/examples/many_takes" "$work/many" "$takes" "$tracks" "$seconds"
mkdir "$work/half"
find "$work/many" -name '*.wav' | sort | sed -n "1,$((takes / 2))p" | xargs cp -t "$work/half"
"$built/examples/long_take" "$work/long.wav" "$tracks" "$long_s"

# CPU seconds of a check, the least of three, kept in a list.
cpu() {
    for _ in 1 2 3; do
        timed "$1" '%U %S' "$TAKEPROOF" check --no-plots --no-catalogue --threads 1 --force --quiet --out "$work/report" "$work/$2"
    done
    awk '{ print $1 + $2 }' "$work/$1" | sort -n | head -1
}
many="$(cpu of-many many)" half="$(cpu of-half half)" long="$(cpu of-long long.wav)"
machine
echo "$tracks tracks of $seconds s"
awk -v n="$takes" -v m="$many" -v h="$half" -v l="$long" -v t="$long_s" -v s="$seconds" 'BEGIN {
    printf "%d takes %.2f s, %d takes %.2f s, one of %d s %.2f s CPU\n", n, m, n / 2, h, t, l
    audio = s * l / t
    printf "beyond its audio: %.2f ms a file, with half as many %.2f ms\n", (m / n - audio) * 1000, (2 * h / n - audio) * 1000
}'
