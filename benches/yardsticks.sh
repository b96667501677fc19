#!/usr/bin/env bash
# Runs meltwright beside plain tools on the same made file: medians, ratios, peak memory.
#
#   benches/yardsticks.sh [--mb N] [--kind NAME] [--runs N] [--big]
#
#   --mb N       size of the file, MB (default 200)
#   --kind NAME  kind of made input: tiny_segments (default), tiny_layers, absolute_e, crlf, spiral, comment_heavy, arcs
#   --runs N     runs of each; the median is printed (default 5)
#   --big        also a file of 1000 MB, for the peak memory alone
#
# Files lie in a folder under TMPDIR and are removed at the end; three times the size of the file is needed.
# The tools take turns, so that a drift of the machine meets all of them.
set -euo pipefail

mb=200 kind=tiny_segments runs=5 big=no
usage() { sed -n '2,11s/^# \{0,1\}//p' "$0"; }
while [ $# -gt 0 ]; do
    case $1 in
        --mb) mb=${2:?--mb needs a number}; shift 2 ;;
        --kind) kind=${2:?--kind needs a name}; shift 2 ;;
        --runs) runs=${2:?--runs needs a number}; shift 2 ;;
        --big) big=yes; shift ;;
        -h|--help) usage; exit 0 ;;
        *) usage >&2; exit 2 ;;
    esac
done

cd "$(dirname "$0")/.."
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
file=$folder/in.gcode out=$folder/out.gcode

echo "building"
cargo build --release --quiet
program=${CARGO_TARGET_DIR:-target}/release/meltwright
make_file() { cargo bench --quiet --bench end_to_end -- --write "$1" "$2" "$kind"; }
# The capacities by which about half the moves are slowed.
read -r peak sustained < <(make_file "$file" "$mb")
bytes=$(wc -c < "$file")

settings=(--set screw.virtual_diameter_mm=1.75 --set "screw.peak_flow_mm3_s=$peak"
    --set "screw.sustained_flow_mm3_s=$sustained" --set screw.sustained_window_s=60)

# What a hand-written filter does: lowers F where the volume of a straight move asks more than the limit, and no more.
clamp='/^G1 /{x=X;y=Y;e=0;at=0;for(i=2;i<=NF;i++){c=substr($i,1,1);v=substr($i,2);if(c=="X")x=v+0;else if(c=="Y")y=v+0;else if(c=="E")e=A?v-E:v+0;else if(c=="F"){f=v+0;at=i}else if(c==";")break};if(A)E+=e;d=sqrt((x-X)^2+(y-Y)^2);X=x;Y=y;if(d>0&&e>0){g=f;m=60*L*d/(e*2.405282);if(g>m)g=m;if(g!=w){s=sprintf("F%.1f",g);if(at)$at=s;else $0=$0" "s;w=g}}else if(at)w=f}/^M82/{A=1}/^M83/{A=0}/^G92 E/{E=substr($2,2)+0}{print}'

# Seconds and peak memory, KiB, of a command; its output is thrown away.
if [ -x /usr/bin/time ] && /usr/bin/time -f '%e %M' true 2>&1 | grep -q '^[0-9.]* [0-9]*$'; then
    measure() {
        /usr/bin/time -o "$folder/time" -f '%e %M' "$@" > "$folder/said" 2> "$folder/errors" || fail "$@"
        tail -n 1 "$folder/time"
    }
else
    # Without GNU time: the clock of the shell, and the highest VmHWM seen while the command runs.
    measure() {
        local start=$EPOCHREALTIME most=0 now pid
        "$@" > "$folder/said" 2> "$folder/errors" &
        pid=$!
        while kill -0 "$pid" 2> "$folder/none"; do
            now=$(awk '/^VmHWM/{print $2}' "/proc/$pid/status" 2> "$folder/none" || true)
            [ "${now:-0}" -gt "$most" ] && most=$now
            sleep 0.005
        done
        wait "$pid" || fail "$@"
        awk -v a="$start" -v b="$EPOCHREALTIME" -v m="$most" 'BEGIN{printf "%.3f %d\n", b - a, m}'
    }
fi
fail() {
    echo "failed: $*" >&2
    cat "$folder/errors" >&2
    exit 1
}

names=(cat cp wc mawk all none)
# The clock of GNU time has steps of 10 ms: the quick ones are done several times in one run.
repeat_of() { case $1 in cat|cp|wc) echo 10 ;; *) echo 1 ;; esac; }
awk=$(command -v mawk || command -v awk)
export file out clamp awk peak
run_once() {
    case $1 in
        cat) measure sh -c 'for i in 1 2 3 4 5 6 7 8 9 10; do cat "$file" > /dev/null; done' ;;
        cp) measure sh -c 'for i in 1 2 3 4 5 6 7 8 9 10; do cp "$file" "$out"; done' ;;
        wc) measure sh -c 'for i in 1 2 3 4 5 6 7 8 9 10; do wc -l "$file"; done' ;;
        mawk) measure sh -c '"$awk" -v L="$peak" -v f=1500 "$clamp" "$file" > "$out"' ;;
        all) measure "$program" rewrite --quiet "${settings[@]}" "$file" -o "$out" ;;
        none) measure "$program" rewrite --quiet --passes none "${settings[@]}" "$file" -o "$out" ;;
    esac
}
median() { sort -n "$1" | awk '{v[NR]=$1} END{print (v[int((NR+1)/2)] + v[int(NR/2)+1]) / 2}'; }

echo "$(date -u +%Y-%m-%d), commit $(git rev-parse --short HEAD), $(nproc) cores, load $(cut -d' ' -f1 /proc/loadavg)"
echo "$kind, $bytes bytes, median of $runs runs"
# One round that does not count fills the caches.
for round in $(seq 0 "$runs"); do
    for name in "${names[@]}"; do
        rm -f "$out"
        got=$(run_once "$name")
        if [ "$round" -gt 0 ]; then
            awk -v n="$(repeat_of "$name")" '{print $1 / n}' <<< "$got" >> "$folder/$name.s"
            awk '{print $2}' <<< "$got" >> "$folder/$name.kib"
        fi
    done
done

rate() { awk -v b="$bytes" -v s="$(median "$folder/$1.s")" 'BEGIN{print b / 1e6 / s}'; }
printf '%-28s %8s %9s\n' '' 'MB/s' 'peak MiB'
for name in "${names[@]}"; do
    case $name in
        cat) label='cat > /dev/null' ;;
        cp) label='cp' ;;
        wc) label='wc -l' ;;
        mawk) label='mawk, one-line clamp' ;;
        all) label='meltwright, default passes' ;;
        none) label='meltwright, --passes none' ;;
    esac
    printf '%-28s %8.0f %9.1f\n' "$label" "$(rate "$name")" "$(sort -n "$folder/$name.kib" | tail -n 1 | awk '{print $1 / 1024}')"
done
for name in all none; do
    [ "$name" = all ] && label='default passes' || label='--passes none'
    awk -v l="$label" -v m="$(rate "$name")" -v a="$(rate cat)" -v b="$(rate cp)" -v c="$(rate wc)" -v d="$(rate mawk)" \
        'BEGIN{printf "%s: %.3f of cat, %.3f of cp, %.3f of wc -l, %.1f times mawk\n", l, m / a, m / b, m / c, m / d}'
done

if [ "$big" = yes ]; then
    rm -f "$file" "$out"
    make_file "$file" 1000 > "$folder/said"
    bytes=$(wc -c < "$file")
    for name in all none; do
        rm -f "$out"
        run_once "$name" | awk -v n="$name" -v b="$bytes" \
            '{printf "1000 MB, passes %s: %.1f MiB at most, %.0f MB/s (one run)\n", n, $2 / 1024, b / 1e6 / $1}'
    done
fi
