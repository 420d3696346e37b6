#!/bin/sh
# Build a real InfluxDB OSS server from its Go module, for the tests; prints the path of influxd.
#
#   build-influxd.sh [--have] [2|1] [DIR]    2: version 2.8.0 (default); 1: version 1.8.10
#
# --have only says where it is, or why there is none. DIR defaults to ~/.cache/rainstead/servers; what the build says goes
# into a log there. Needs go (1.22 or newer); version 2 also cargo (its query language is written in Rust), gcc and
# pkg-config. Version 2 takes some four minutes on two cores, version 1 one; the second time there is nothing to do.
# Exit code 3: a tool is missing, or with --have nothing was built. 4: building failed.
set -eu
have=
if [ "${1:-}" = --have ]; then have=yes && shift; fi
line=${1:-2}
dir=${2:-$HOME/.cache/rainstead/servers}
case $line in
2) version=v2.8.0 tools="go cargo gcc pkg-config" ;;
1) version=v1.8.10 tools="go" ;;
*) echo "build-influxd.sh: $line: write 2 or 1" >&2 && exit 2 ;;
esac
dir=$dir/influxd-$version

done_already() {
    if [ -x "$dir/influxd" ]; then
        echo "$dir/influxd"
        exit 0
    fi
}

lacks() {
    echo "InfluxDB $version cannot be built: $1" >&2
    exit 3
}

done_already
for tool in $tools; do
    command -v "$tool" >/dev/null || lacks "$tool is missing; on Debian: sudo apt install golang cargo gcc pkg-config"
done
minor=$(go env GOVERSION | sed -n 's/^go1\.\([0-9]*\).*/\1/p')
[ "${minor:-22}" -ge 22 ] || lacks "$(go env GOVERSION) is too old; 1.22 or newer is needed"
if [ -n "$have" ]; then
    cat "$dir/failed" >&2 2>/dev/null || echo "InfluxDB $version has not been built; \`make servers\` does it" >&2
    exit 3
fi
mkdir -p "$dir"
dir=$(cd "$dir" && pwd -P)
# Two builds at once take turns, and the second finds the work done.
if command -v flock >/dev/null; then
    exec 9>"$dir/lock"
    flock -n 9 || { echo "Waiting for another build of InfluxDB $version …" >&2 && flock 9; }
    done_already
fi
work=$dir/work log=$dir/build.log
mkdir -p "$work/bin" "$work/tool"
rm -f "$dir/failed"

version_1() {
    GOBIN="$work/bin" go install "github.com/influxdata/influxdb/cmd/influxd@$version" && mv "$work/bin/influxd" "$work/influxd"
}

version_2() {
    # `go install` refuses a module that replaces another one. A module of our own that asks for it, with the same
    # replacement, is the ordinary way to pin and build such a tool.
    cat >"$work/tool/go.mod" <<'MOD'
module servers

go 1.22

replace github.com/nats-io/nats-streaming-server v0.11.2 => github.com/influxdata/nats-streaming-server v0.11.3-0.20201112040610-c277f7560803
MOD
    cat >"$work/tool/tools.go" <<'GO'
//go:build tools

package tools

import _ "github.com/influxdata/influxdb/v2/cmd/influxd"
GO
    # Its Rust part turns warnings of an older compiler into errors, in its build scripts too, where RUSTFLAGS does not
    # reach: a wrapper around the compiler does.
    cat >"$work/rustc-wrap" <<'SH'
#!/bin/sh
case " $* " in *" --cap-lints "*) exec "$@" ;; *) exec "$@" --cap-lints warn ;; esac
SH
    chmod +x "$work/rustc-wrap"
    export RUSTC_WRAPPER="$work/rustc-wrap" RUSTUP_TOOLCHAIN="${RUSTUP_TOOLCHAIN:-stable}"
    # A list joined by && for its failure to be seen: within a condition `set -e` does not stop.
    GOBIN="$work/bin" go install github.com/influxdata/pkg-config@v0.2.14 &&
        cd "$work/tool" &&
        go get "github.com/influxdata/influxdb/v2/cmd/influxd@$version" &&
        PKG_CONFIG="$work/bin/pkg-config" go build -mod=mod -tags 'sqlite_foreign_keys,sqlite_json,noassets' \
            -o "$work/influxd" github.com/influxdata/influxdb/v2/cmd/influxd
}

echo "Building InfluxDB $version for the tests (minutes, this once) …" >&2
if ! "version_$line" >"$log" 2>&1; then
    why="see above, and $log"
    if grep -qiE 'dial tcp|no such host|proxyconnect|unreachable|i/o timeout|TLS handshake|could not resolve' "$log"; then
        why="its parts could not be fetched: no network, or their server does not answer; run \`make servers\` again later"
    elif grep -qi 'no space left' "$log"; then
        why="the disk is full; make room and run \`make servers\` again"
    fi
    tail -n 15 "$log" >&2
    echo "InfluxDB $version could not be built: $why" | tee "$dir/failed" >&2
    exit 4
fi
mv "$work/influxd" "$dir/influxd"
rm -rf "$work"
echo "$dir/influxd"
