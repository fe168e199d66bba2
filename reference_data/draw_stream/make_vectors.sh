#!/bin/sh
# Draws the order of randomised pairs from a seed with nothing but sha256sum and sh.
# Usage: sh make_vectors.sh SEED PAIRS    prints one line: 1 where the pair is exchanged, 0 where not
# A pair of conditions is shuffled by one integer below 2: the lowest bit of a 64-bit word, which is
# the lowest bit of its last hexadecimal digit. 0 exchanges the two (Fisher and Yates), 1 does not.
seed=$1
pairs=$2
digest=0
line=
while [ "$pairs" -gt 0 ]; do
    text=$(printf 'trialkit-1:%s:order:%s' "$seed" "$digest" | sha256sum)
    for last in 16 32 48 64; do
        [ "$pairs" -gt 0 ] || break
        digit=$(printf '%s' "$text" | cut -c "$last")
        case $digit in
            [02468ace]) line="${line}1" ;;
            *) line="${line}0" ;;
        esac
        pairs=$((pairs - 1))
    done
    digest=$((digest + 1))
done
echo "$line"
