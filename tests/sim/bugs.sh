#!/bin/sh
# Seeded bugs: each is put into a copy of the source, and the simulation must find it. One that does
# not apply, does not build or is not found fails the script; so does a simulation that fails without
# a bug. Part of the nightly: a build and a simulation each.
#
#     tests/sim/bugs.sh            all of them
#     tests/sim/bugs.sh dose leak  those whose name holds one of these words
#
# PERMEATED_BUG_SEEDS (60) seeds of PERMEATED_SIM_HOURS (6) hours at most; the first that fails is
# named with the rule that it broke.
set -eu
cd "$(dirname "$0")/../.."
root=$PWD
copy=$root/target/bugs
export CARGO_TERM_COLOR=never
# A target of its own: cargo would take what was built from a copy with a bug for what the source gives.
export CARGO_TARGET_DIR="${PERMEATED_BUG_TARGET:-$copy/target}"
export PERMEATED_SIM_SEEDS="${PERMEATED_BUG_SEEDS:-60}" PERMEATED_SIM_HOURS="${PERMEATED_SIM_HOURS:-6}"
unset PERMEATED_SIM_SEED

fresh() {
    mkdir -p "$copy"
    # Only what differs is written, so that the build is a small one.
    git ls-files -co --exclude-standard src tests config dashboards Cargo.toml Cargo.lock .clippy.toml |
        while read -r file; do
            [ -f "$file" ] || continue
            if ! cmp -s "$file" "$copy/$file"; then
                mkdir -p "$copy/$(dirname "$file")"
                cp "$file" "$copy/$file"
            fi
        done
}

simulate() {
    # The profile of the nightly is given by the environment.
    # shellcheck disable=SC2086
    (cd "$copy" && cargo test --locked ${PERMEATED_BUG_PROFILE:-} --test sim --no-run) >"$copy/build.log" 2>&1 || {
        echo "$1: does not build; see $copy/build.log" >&2
        exit 1
    }
    # shellcheck disable=SC2086
    (cd "$copy" && cargo test --locked ${PERMEATED_BUG_PROFILE:-} --test sim -- whatever_happens --nocapture) \
        >"$copy/sim.log" 2>&1
}

# name, file, what stands there (once), what is to stand there instead
bug() {
    name=$1
    if [ -n "$wanted" ]; then
        case " $wanted " in *" $name "*) ;; *)
            found=""
            for word in $wanted; do case $name in *"$word"*) found=1 ;; esac; done
            [ -n "$found" ] || return 0 ;;
        esac
    fi
    fresh
    WAS=$3 IS=$4 perl -0pi -e '
        my ($was, $is) = @ENV{"WAS", "IS"};
        my $count = () = /\Q$was\E/g;
        die "the text stands there $count times\n" unless $count == 1;
        s/\Q$was\E/$is/;
    ' "$copy/$2" || {
        echo "$name: does not apply to $2" >&2
        exit 1
    }
    cmp -s "$2" "$copy/$2" && {
        echo "$name: changed nothing in $2" >&2
        exit 1
    }
    if simulate "$name"; then
        echo "NOT FOUND  $name" >&2
        missed="$missed $name"
    else
        seed=$(sed -n 's/^seed \([0-9]*\): .*/\1/p' "$copy/sim.log" | head -1)
        rule=$(sed -n '/^seed [0-9]*: .*run again/{n;p;}' "$copy/sim.log" | head -1 | cut -c1-100)
        if [ -z "$seed" ]; then
            # It failed, but not by a rule: an assertion of the engine itself.
            rule=$(grep -m1 -A1 'panicked at' "$copy/sim.log" | tail -1 | cut -c1-100)
            seed="?"
        fi
        printf 'found      %-34s seed %-3s %s\n' "$name" "$seed" "$rule"
        count=$((count + 1))
    fi
}

wanted="$*"
missed=""
count=0
if [ -z "$wanted" ]; then
    fresh
    simulate "without a bug" || {
        echo "the simulation fails without a bug; see $copy/sim.log" >&2
        exit 1
    }
    echo "sound      without a bug: $(grep -c 'rules broken' "$copy/sim.log") run, nothing broken"
fi

bug trip-does-not-latch src/engine/alarm.rs \
    'alarm.latched |= row.consequence == Consequence::Trip;' \
    'alarm.latched |= false;'
bug reset-while-the-cause-stands src/engine/guard/orders.rs \
    '(!gone).then(|| {' \
    '(!gone && cx.now.mono < Mono::ZERO).then(|| {'
bug open-although-not-permitted src/engine/guard/orders.rs \
    'let may_open = permitted && (demanded || self.test_run.is_some());' \
    'let may_open = demanded || self.test_run.is_some();'
bug open-before-its-record src/engine/guard/valve.rs \
    'out.push(Output::Persist { token });' \
    'out.push(Output::Persist { token });
        out.push(Output::Send(Send { actuator: 0, action: Action::Open, decided: now, attempt: 1 }));'
bug a-copy-counts-again src/engine/signal/totaliser.rs \
    'let ahead = self.ahead(old.count, new.count);' \
    'let ahead = self.ahead(old.count, new.count).map(|ahead| ahead.max(20));'
bug silence-is-not-missed src/engine/guard/conditions.rs \
    'let active = self.delayed(Watch::ProbeSilent, now, silent, Span::ZERO, hold_return);' \
    'let active = self.delayed(Watch::ProbeSilent, now, silent.map(|_| false), Span::ZERO, hold_return);'
bug an-old-reading-ends-a-silence src/engine/guard/conditions.rs \
    'now.since(since) <= limit(sensor) && unseen.is_none_or(|unseen| at > unseen)' \
    'now.since(since) <= limit(sensor) && unseen.is_none_or(|_| true)'
bug a-restart-forgets-a-trip src/engine/alarm.rs \
    '    latched: bool,
    acknowledged: bool,' \
    '    #[serde(skip)]
    latched: bool,
    acknowledged: bool,'
bug the-dose-is-never-counted src/engine/guard/product.rs \
    'self.dose += one.counted * one.passed;' \
    'self.dose += 0.0 * one.passed;'
bug a-stored-copy-counts-as-live src/engine/guard/mod.rs \
    '        if reading.retained {
            self.probes[reading.sensor].stored(reading.value);
            return;
        }' \
    '        if reading.retained {
            self.probes[reading.sensor].stored(reading.value);
        }'
bug the-minimum-off-time-is-ignored src/engine/guard/permit.rs \
    '&& now.since(off) < Span::from_secs_f64(limits.off_min_secs)' \
    '&& now.since(off) < Span::ZERO'
bug gross-failure-waits-for-its-dose src/engine/guard/product.rs \
    '(high >= needed && look.median >= limits.fast_ppm).then_some(Verdict {' \
    '(high > needed + 2 && look.median >= limits.fast_ppm).then_some(Verdict {'
bug a-leak-acts-only-while-water-flows src/engine/guard/conditions.rs \
    'if let Some(sensor) = wet.first() {' \
    'if let Some(sensor) = wet.first().filter(|_| self.flow.is_flowing()) {'

if [ -n "$missed" ]; then
    echo "bugs that the simulation does not find:$missed" >&2
    exit 1
fi
echo "bugs: $count of $count found"
