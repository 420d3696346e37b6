#!/bin/sh
# Build a real InfluxDB OSS server from its Go module, for the tests; prints the path of influxd.
#
#   build-influxd.sh [--have] [2|1] [DIR]    2: version 2.8.0 (default); 1: version 1.8.10
#
# --have only says where it is; exit code 3 where it has not been built.
# DIR defaults to ~/.cache/rainstead/servers. Needs go (1.22 or newer); version 2 also cargo (its query language is
# written in Rust), gcc and pkg-config. Version 2 takes some four minutes on two cores, version 1 one; the second time
# there is nothing to do. Exit code 3: a tool is missing.
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
if [ -x "$dir/influxd" ]; then
    echo "$dir/influxd"
    exit 0
fi
if [ -n "$have" ]; then
    echo "it has not been built; \`make servers\` does it, where go, cargo, gcc and pkg-config are installed" >&2
    exit 3
fi
for tool in $tools; do
    command -v "$tool" >/dev/null || {
        echo "$tool is missing; on Debian: sudo apt install golang cargo gcc pkg-config" >&2
        exit 3
    }
done
mkdir -p "$dir"
dir=$(cd "$dir" && pwd -P)
# Two builds at once take turns, and the second finds the work done.
if command -v flock >/dev/null; then
    exec 9>"$dir/lock"
    flock 9
    if [ -x "$dir/influxd" ]; then
        echo "$dir/influxd"
        exit 0
    fi
fi
work=$dir/work
mkdir -p "$work/bin" "$work/tool"

if [ "$line" = 1 ]; then
    GOBIN="$work/bin" go install "github.com/influxdata/influxdb/cmd/influxd@$version" >&2
    mv "$work/bin/influxd" "$dir/influxd"
    rm -rf "$work"
    echo "$dir/influxd"
    exit 0
fi

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

GOBIN="$work/bin" go install github.com/influxdata/pkg-config@v0.2.14 >&2
cd "$work/tool"
export RUSTC_WRAPPER="$work/rustc-wrap" RUSTUP_TOOLCHAIN="${RUSTUP_TOOLCHAIN:-stable}"
go get "github.com/influxdata/influxdb/v2/cmd/influxd@$version" >&2
PKG_CONFIG="$work/bin/pkg-config" go build -mod=mod -tags 'sqlite_foreign_keys,sqlite_json,noassets' \
    -o "$work/influxd" github.com/influxdata/influxdb/v2/cmd/influxd >&2
mv "$work/influxd" "$dir/influxd"
rm -rf "$work"
echo "$dir/influxd"
