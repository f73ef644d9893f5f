#!/usr/bin/env bash
# Runs a command beside a load like that of a shared machine. Its process group is stopped for 20 to
# 300 ms at random, once in 2 s in the mean, and a busy loop runs on each processor. The seed of the
# stops is WITHY_SEED, 1 by default.
#
#     tests/load.sh launch-free-scripts/test --test graph frames::
set -eu
set -m
"$@" &
command=$!
set +m
busy=()
for _ in $(seq "$(nproc)"); do
    (while :; do :; done) &
    busy+=($!)
done
RANDOM=${WITHY_SEED:-1}
# In s: exponentially distributed waits, by the inverse of the distribution function.
(
    while :; do
        wait=$(awk -v u="$((RANDOM + 1))" 'BEGIN { printf "%.3f", -2 * log(u / 32769) }')
        stop=$(awk -v u="$RANDOM" 'BEGIN { printf "%.3f", 0.02 + 0.28 * u / 32767 }')
        sleep "$wait"
        kill -STOP -- "-$command" 2>/dev/null || exit 0
        sleep "$stop"
        kill -CONT -- "-$command" 2>/dev/null || exit 0
    done
) &
stops=$!
end() {
    kill "$stops" "${busy[@]}" 2>/dev/null || true
    kill -CONT -- "-$command" 2>/dev/null || true
    kill -TERM -- "-$command" 2>/dev/null || true
}
trap end EXIT
result=0
# A stop of the command ends the shell's wait early, so wait until the process is gone.
while kill -0 "$command" 2>/dev/null; do
    result=0
    wait "$command" || result=$?
done
exit "$result"
