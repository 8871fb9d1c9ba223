#!/bin/sh
# The slow tail: a long simulation, property tests with many cases, the measured deaths and kills.
# Failures print their seed; PERMEATED_SIM_SEED=<seed> cargo test --test sim runs one again.
set -eu
cd "$(dirname "$0")/.."
export CARGO_PROFILE_DEV_OPT_LEVEL=2
# 10,000 plant-days: about two hours on two cores.
PERMEATED_SIM_SEEDS=${PERMEATED_SIM_SEEDS:-10000} PERMEATED_SIM_HOURS=${PERMEATED_SIM_HOURS:-24} \
    cargo test --locked --release --test sim -- --nocapture
# Thirteen bugs put into copies of the engine: the same simulation finds each. A build and a run for each.
tests/sim/bugs.sh
PROPTEST_CASES=${PROPTEST_CASES:-20000} cargo test --locked --lib
# Deaths 20 times on both brokers, 50 kills with a 10-minute database outage, 50 spoilings under a flood,
# 10 idle minutes, and everything that two plants publish. About 45 minutes.
PERMEATED_MEASURE=1 cargo test --locked --release --test measure -- --nocapture --test-threads 1
# Every row of the cause-and-effect table, the ten-minute one included.
PERMEATED_MEASURE=1 cargo test --locked --release --test rows -- --nocapture
PERMEATED_TRUTH=1 cargo test --locked --release --test truth -- --nocapture
PERMEATED_GUARD_STARTS=${PERMEATED_GUARD_STARTS:-1000} cargo test --locked --release --test guard -- --nocapture
