#!/usr/bin/env bash
# How fast today's tool is beside an earlier commit: both are built in the same way and run in
# turn, so that both meet the same weather. For each case the least seconds of processor of both
# and the earlier one's over today's: 2.0 is twice as fast.
#
#   bench/against.sh [-c COMMIT] [-r ROUNDS] [CASE ...]
#
# Without cases all are run; `bench/against.sh -l` lists them. What is built stays in
# target/against.
set -euo pipefail
cd "$(dirname "$0")/.."
commit=1f95f09 rounds=3
cases=(
    'bias-amp: bias netlists/lapwing/amp.cir'
    'bias-100: bias target/against/chain100.cir'
    'bias-1000: bias target/against/chain1000.cir'
    'stages-10: render target/against/chain10.cir --clip target/against/short.wav --oversample 4'
    'stages-100: render target/against/chain100.cir --clip target/against/short.wav --oversample 4'
    'cascade-4: render netlists/lapwing/overdrive_cascade.cir --oversample 4'
    'cascade-8: render netlists/lapwing/overdrive_cascade.cir --oversample 8'
    'cascade-auto: render netlists/lapwing/overdrive_cascade.cir'
    'preamp-4: render netlists/lapwing/preamp.cir --switch CHANNEL=1 --oversample 4'
    'preamp-8: render netlists/lapwing/preamp.cir --switch CHANNEL=1 --oversample 8'
    'preamp-auto: render netlists/lapwing/preamp.cir --switch CHANNEL=1'
    'power-4: render netlists/lapwing/power_amp.cir --input-volts 4 --oversample 4'
    'power-8: render netlists/lapwing/power_amp.cir --input-volts 4 --oversample 8'
    'power-auto: render netlists/lapwing/power_amp.cir --input-volts 4'
    'amp-4: render netlists/lapwing/amp.cir --switch CHANNEL=1 --oversample 4'
    'amp-auto: render netlists/lapwing/amp.cir --switch CHANNEL=1'
    'check: check netlists'
)
while getopts c:r:l option; do
    case $option in
    c) commit=$OPTARG ;;
    r) rounds=$OPTARG ;;
    l) printf '%s\n' "${cases[@]}" && exit ;;
    *) exit 2 ;;
    esac
done
shift $((OPTIND - 1))

out=$PWD/target/against
mkdir -p "$out"
# As the tool is released, whatever cargo is set to here.
export CARGO_PROFILE_RELEASE_INCREMENTAL=false
unset CARGO_PROFILE_RELEASE_CODEGEN_UNITS
export CARGO_TARGET_DIR=$out/build
[ -d "$out/$commit" ] || git worktree add --detach "$out/$commit" "$commit" >&2
[ -x "$out/before-$commit" ] || {
    (cd "$out/$commit" && cargo build --release --quiet --bin gridleak)
    cp "$out/build/release/gridleak" "$out/before-$commit"
}
cargo build --release --quiet --bin gridleak
cp "$out/build/release/gridleak" "$out/today"

for stages in 10 100 1000; do
    {
        printf 'Triode stages in a row\nVIN in 0 DC 0 AC 1\nVB s0 0 300\nRIN in a1 1k\n'
        for ((k = 1; k <= stages; k++)); do
            printf 'RS%d s%d s%d 1k\nCS%d s%d 0 22u\nRG%d a%d 0 1meg\nRT%d a%d g%d 68k\n' \
                $k $((k - 1)) $k $k $k $k $k $k $k $k
            printf 'RA%d s%d p%d 100k\nRK%d k%d 0 1.5k\nCK%d k%d 0 25u\n' $k $k $k $k $k $k $k
            printf 'XV%d p%d g%d k%d 12AX7\nCO%d p%d a%d 22n\n' $k $k $k $k $k $k $((k + 1))
        done
        printf 'RL a%d 0 1meg\n.end\n' $((stages + 1))
    } >"$out/chain$stages.cir"
done
# A tenth of a second of a decaying 220 Hz, 16 bit.
python3 - "$out/short.wav" <<'PYTHON'
import math, struct, sys, wave
with wave.open(sys.argv[1], "wb") as clip:
    clip.setparams((1, 2, 48000, 0, "NONE", ""))
    wave_of = lambda n: math.exp(-n / 2400) * math.sin(2 * math.pi * 220 * n / 48000)
    clip.writeframes(b"".join(struct.pack("<h", round(30000 * wave_of(n))) for n in range(4800)))
PYTHON

TIMEFORMAT=%U
run() { # PROGRAM WORDS...: seconds of processor
    local program=$1 words=("${@:2}")
    case ${words[0]} in
    render)
        words+=(--out "$out/out.wav")
        [[ ${words[1]} == *chain* ]] && words+=(--source VIN --probe "v(a${words[1]//[!0-9]/})")
        [[ ${words[1]} == *power_amp* ]] && words+=(--probe 'v(tap8)')
        ;;
    esac
    { time "$program" "${words[@]}" --quiet >/dev/null 2>"$out/errors" || cat "$out/errors" >&2; } 2>&1
}
printf '%-14s %10s %10s %8s\n' case before today ratio
for case in "${cases[@]}"; do
    name=${case%%:*}
    [ $# = 0 ] || [[ " $* " == *" $name "* ]] || continue
    read -ra words <<<"${case#*:}"
    before=() today=()
    for ((round = 0; round < rounds; round++)); do
        before+=("$(run "$out/before-$commit" "${words[@]}" | tail -1)")
        today+=("$(run "$out/today" "${words[@]}" | tail -1)")
    done
    least() { printf '%s\n' "$@" | sort -g | head -1; }
    awk -v n="$name" -v b="$(least "${before[@]}")" -v t="$(least "${today[@]}")" \
        'BEGIN { printf "%-14s %10.2f %10.2f %8.2f\n", n, b, t, (t > 0 ? b / t : 0) }'
done
