# Shared by the benches that time whole commands; to be sourced. Goes to the top of the project, makes a temporary folder `work`,
# and sees to a binary: TAKEPROOF=path/to/takeproof, else that of the commit at hand is built. What is built lies below `built`.
cd "$(dirname "${BASH_SOURCE[0]}")/.."
built="${CARGO_TARGET_DIR:-target}/release"
if [ -z "${TAKEPROOF:-}" ]; then
    cargo build --release --quiet
    TAKEPROOF="$built/takeproof"
fi
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT

# What a command takes, in a format of time(1), appended to a list; findings (exit status 1) are no failure.
timed() {
    local list="$1" format="$2"
    shift 2
    /usr/bin/time -q -a -o "$work/$list" -f "$format" "$@" >"$work/out" 2>&1 || [ $? -eq 1 ] || { cat "$work/out"; exit 1; }
}
# Commit and machine.
machine() {
    echo "commit $(git describe --always --dirty), $(lscpu | sed -n 's/^Model name: *//p'), $(nproc) cores, load $(cut -d' ' -f1 /proc/loadavg)"
}
