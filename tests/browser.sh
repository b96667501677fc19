#!/bin/sh
# Shows reports in a headless Chromium: pictures to look at, and checks of what the scripts made of the page.
#
#     tests/browser.sh FOLDER [REPORT.html ...]
#
# Without reports, two of the demo are made with target/debug/meltwright. FOLDER gets pictures, light, dark, narrow
# and without scripts, and print.pdf for each. Exit code 1 where the console shows an error or the page is not as it should be, 77 where there is
# no browser. Nothing is fetched: the pages forbid it, and the browser is started with a host name rule that leads nowhere.
set -eu
folder=${1:?a folder for the pictures}
shift
mkdir -p "$folder"
here=$(cd "$(dirname "$0")/.." && pwd)
browser=${BROWSER:-$(command -v chromium || command -v chromium-browser || true)}
[ -n "$browser" ] || { echo "no browser found; name one in BROWSER" >&2; exit 77; }

if [ $# -eq 0 ]; then
    demo=$here/fixtures/demo/casting_pads.gcode
    program=$here/target/debug/meltwright
    "$program" audit "$demo" --quiet --html "$folder/audit.html" >/dev/null || [ $? -eq 3 ]
    "$program" rewrite "$demo" --dry-run --quiet --html "$folder/rewrite.html" >/dev/null \
        --set hopper.usable_g=120 --set hopper.margin_g=10 --set 'screw.output_curve=[[20,6],[60,15],[120,24]]'
    set -- "$folder/audit.html" "$folder/rewrite.html"
fi

run() {
    data=$(mktemp -d)
    status=0
    timeout 120 "$browser" --headless --no-sandbox --disable-gpu --disable-quic --no-first-run \
        --disable-background-networking --disable-component-update --disable-sync --hide-scrollbars \
        --host-resolver-rules='MAP * ~NOTFOUND' --user-data-dir="$data" --enable-logging=stderr --v=0 \
        --virtual-time-budget=4000 "$@" 2>>"$folder/log.txt" || status=$?
    rm -rf "$data"
    return $status
}

failed=0
fail() {
    echo "$report: $*" >&2
    failed=1
}
for report in "$@"; do
    : >"$folder/log.txt"
    name=$folder/$(basename "$report" .html)
    url=file://$(cd "$(dirname "$report")" && pwd)/$(basename "$report")
    run --blink-settings=preferredColorScheme=1 --window-size=1200,12000 --screenshot="$name-light.png" "$url"
    run --blink-settings=preferredColorScheme=0 --window-size=1200,12000 --screenshot="$name-dark.png" "$url"
    run --blink-settings=preferredColorScheme=1 --window-size=500,12000 --screenshot="$name-narrow.png" "$url"
    run --no-pdf-header-footer --print-to-pdf="$name-print.pdf" "$url"
    run --dump-dom "$url" >"$name-dom.txt"
    if grep CONSOLE "$folder/log.txt" >&2; then fail "the console is not empty"; fi
    # A print without beads has no layers to show. The words are written by the script once a layer is drawn.
    if grep -q 'id="layer-info"' "$report"; then
        counts='[0-9]\{1,3\}\(,[0-9]\{3\}\)*'
        grep -q "id=\"layer-told\"[^>]*>Layer [0-9]*, z [0-9.]* mm: $counts beads, $counts mm long" "$name-dom.txt" ||
            fail "no layer is drawn"
        grep -q 'aria-valuetext="layer [0-9]' "$name-dom.txt" || fail "the slider does not say its layer"
        if grep -q 'id="layer-choice" hidden' "$name-dom.txt"; then fail "the layers cannot be chosen"; fi
    fi
    # Where the script is held back all but the layers is there, and a line says why they are not.
    sed "s/script-src &#39;[a-z-]*&#39;/script-src &#39;none&#39;/" "$report" >"$name-plain.html"
    run --window-size=1200,12000 --screenshot="$name-plain.png" "file://$(cd "$folder" && pwd)/$(basename "$name-plain.html")"
    # Windows of 320 pixels are narrower than any the browser opens: the page stands in a frame.
    cat >"$name-frame.html" <<END
<iframe width="320" height="3000" src="$url"></iframe><p id="told"></p><script>
onload = () => {
  const page = document.querySelector("iframe").contentDocument.documentElement;
  document.getElementById("told").textContent = page.scrollWidth > page.clientWidth ? "too wide" : "it fits";
};
</script>
END
    frame=file://$(cd "$folder" && pwd)/$(basename "$name-frame.html")
    run --allow-file-access-from-files --disable-web-security --dump-dom "$frame" >"$name-frame.txt"
    grep -q '<p id="told">it fits' "$name-frame.txt" || fail "it is wider than a window of 320 pixels"
    [ "$(head -c 4 "$name-print.pdf")" = "%PDF" ] || fail "it cannot be printed"
done
exit $failed
