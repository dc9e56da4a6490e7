#!/usr/bin/env bash
# What does the working tree find in a folder of takes that an earlier revision did not, and the other way round?
# usage: benches/findings-diff.sh REVISION FOLDER
set -euo pipefail
revision="${1:?usage: benches/findings-diff.sh REVISION FOLDER}"
folder="$(cd "${2:?usage: benches/findings-diff.sh REVISION FOLDER}" && pwd)"
cd "$(dirname "$0")/.."
base="$(mktemp -d)"
trap 'git worktree remove --force "$base/tree"; rm -rf "$base"' EXIT
git worktree add --quiet --detach "$base/tree" "$revision"
cargo build --release --quiet --manifest-path "$base/tree/Cargo.toml" --target-dir target/base
cargo build --release --quiet
TAKEPROOF_CORPUS="$folder" TAKEPROOF_BASE="$PWD/target/base/release/takeproof" TAKEPROOF_HEAD="$(realpath "${CARGO_TARGET_DIR:-target}")/release/takeproof" \
    cargo test --quiet --test suite -- --ignored --nocapture corpus::findings_diff
