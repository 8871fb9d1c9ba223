#!/bin/sh
# Instructions that a reading costs, by callgrind: the same on every machine with the same compiler.
# Each case runs twice, with few and with many readings; the difference is what the readings cost.
# Needs valgrind. `tests/bench/instructions.sh [CASE...]`; cases stand in tests/bench/engine.rs.
set -eu
cd "$(dirname "$0")/../.."
command -v valgrind >/dev/null || { echo "valgrind is missing: apt-get install valgrind" >&2; exit 1; }
few=500
many=2500
bench=$(cargo bench --locked --bench engine --no-run --message-format=json 2>/dev/null |
    sed -n 's/.*"executable":"\([^"]*engine-[^"]*\)".*/\1/p' | tail -1)
[ -x "$bench" ] || { echo "the benchmark does not build: cargo bench --bench engine --no-run" >&2; exit 1; }
out=$(mktemp)
trap 'rm -f "$out"' EXIT
count() {
    valgrind --tool=callgrind --callgrind-out-file="$out" "$bench" count "$1" "$2" 2>/dev/null
    sed -n 's/^totals: \([0-9]*\)$/\1/p;s/^summary: \([0-9]*\)$/\1/p' "$out" | tail -1
}
[ $# -gt 0 ] || set -- full-flowing full-idle smallest-flowing smallest-idle
for case in "$@"; do
    first=$(count "$case" "$few")
    last=$(count "$case" "$many")
    echo "$case: $(((last - first) / (many - few))) instructions/reading"
done
