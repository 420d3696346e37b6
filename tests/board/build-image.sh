#!/bin/bash
# Build the virtual board: a Debian system with systemd, a simulated GPIO chip of the kernel's own, serial ports and ssh.
# Needs root, network for apt and pip, and about 1 GB under $BOARD_DIR. A minute or two; nothing to do when it is there.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
. "$here/board.env"
stamp=$({ cat "$here"/build-image.sh "$here"/guest/*; grep -iE "^(numpy|pydantic|tzdata|gpiozero|lgpio|pyserial|typer|rich|flask|waitress|apprise|paho|influxdb)" "$here/../../.constraints.txt"; } | cksum)
if [ "$(cat "$BOARD_DIR/built" 2>/dev/null || true)" = "$stamp" ]; then exit 0; fi
mkdir -p "$BOARD_DIR" && cd "$BOARD_DIR"
say() { printf '%4ds  %s\n' "$SECONDS" "$*"; }

say "packages of this machine"
apt-get -qq update
kernel=$(apt-cache depends linux-image-amd64 | sed -n 's/.*Depends: linux-image-//p' | head -1)
DEBIAN_FRONTEND=noninteractive apt-get -qq install -y --no-install-recommends qemu-system-x86 qemu-utils seabios \
    ipxe-qemu mmdebstrap e2fsprogs openssh-client make gcc-12 "linux-headers-$kernel" >/dev/null

say "gpio-sim for $kernel"
# Debian builds neither gpio-sim nor the interrupt simulator that it needs, so both are built here as one module.
if [ ! -e "gpio-sim-$kernel.ko" ]; then
    rm -rf mod src && mkdir mod src
    (cd src && apt-get -qq download "linux-source-$(echo "$kernel" | cut -d. -f1,2)" 2>/dev/null)
    dpkg-deb --fsys-tarfile src/linux-source-*.deb | tar -xO --wildcards './usr/src/linux-source-*.tar.xz' |
        tar -xJ -C mod --wildcards --transform 's,.*/,,' \
            '*/drivers/gpio/gpio-sim.c' '*/drivers/gpio/gpiolib.h' '*/kernel/irq/irq_sim.c'
    mv mod/gpio-sim.c mod/chip.c
    # A module may not call irq_to_desc(); these two calls find the same.
    sed -i 's/irq_to_desc(irqnum)/irq_data_to_desc(irq_get_irq_data(irqnum))/' mod/irq_sim.c
    printf 'obj-m := gpio-sim.o\ngpio-sim-y := chip.o irq_sim.o\n' >mod/Kbuild
    make -s -C "/usr/src/linux-headers-$kernel" M="$PWD/mod" modules 2>&1 | grep -v BTF || true
    strip --strip-debug mod/gpio-sim.ko
    mv mod/gpio-sim.ko "gpio-sim-$kernel.ko"
    rm -rf mod src
fi

say "pulse maker, wheels, key"
gcc-12 -O2 -static -o pulses "$here/guest/pulses.c"
rm -rf wheels && mkdir wheels
pip download -q -d wheels --only-binary :all: --python-version 3.11 -c "$here/../../.constraints.txt" \
    --platform manylinux_2_34_x86_64 --platform manylinux_2_28_x86_64 --platform manylinux2014_x86_64 \
    numpy pydantic tzdata gpiozero lgpio pyserial typer rich flask waitress apprise paho-mqtt influxdb-client setuptools wheel 2>/dev/null
[ -e key ] || ssh-keygen -q -t ed25519 -N '' -C board -f key

say "root file system"
rm -rf root
cat >inside.sh <<'S'
set -eu
root=$1 dir=$2 here=$3 kernel=$4
install -D -m 644 "$dir/gpio-sim-$kernel.ko" "$root/lib/modules/$kernel/extra/gpio-sim.ko"
chroot "$root" depmod "$kernel"
install -m 755 "$dir/pulses" "$here"/guest/*.sh "$root/usr/local/bin/"
install -m 644 "$here"/guest/*.service "$root/etc/systemd/system/"
install -D -m 600 "$dir/key.pub" "$root/root/.ssh/authorized_keys"
echo board >"$root/etc/hostname"
echo 127.0.0.1 localhost board >"$root/etc/hosts"
echo '/dev/vda / ext4 defaults,noatime 0 1' >"$root/etc/fstab"
printf '[Match]\nName=en* eth*\n[Network]\nAddress=10.0.2.15/24\nGateway=10.0.2.2\nLinkLocalAddressing=no\n' \
    >"$root/etc/systemd/network/board.network"
printf 'UseDNS no\nLoginGraceTime 0\n' >"$root/etc/ssh/sshd_config.d/board.conf"
chroot "$root" systemctl -q enable systemd-networkd gpio-chip ssh
chroot "$root" systemctl -q mask apt-daily.timer apt-daily-upgrade.timer
chroot "$root" passwd -q -d root
mkdir -p "$root/opt/wheels" && cp "$dir"/wheels/*.whl "$root/opt/wheels/"
# The logger gets a /proc of its own, so what gpio-chip.sh binds must be bound there, too. A real board needs none of it.
mkdir -p "$root/etc/systemd/system/rainstead-logger.service.d"
printf '[Service]\nBindReadOnlyPaths=/run/cpuinfo:/proc/cpuinfo\n' \
    >"$root/etc/systemd/system/rainstead-logger.service.d/board.conf"
# The account that the board's own system has.
chroot "$root" groupadd -f -r gpio
S
mmdebstrap --mode=root --variant=minbase --quiet \
    --include="linux-image-$kernel,initramfs-tools,systemd-sysv,udev,dbus,kmod,openssh-server,iproute2,procps,python3,python3-venv,sqlite3,e2fsprogs" \
    --dpkgopt='path-exclude=/usr/share/doc/*' --dpkgopt='path-exclude=/usr/share/man/*' \
    --dpkgopt='path-exclude=/usr/share/locale/*' \
    --essential-hook='mkdir -p "$1/etc/initramfs-tools/conf.d" "$1/usr/share/initramfs-tools/modules.d"' \
    --essential-hook='echo MODULES=list > "$1/etc/initramfs-tools/conf.d/board"' \
    --essential-hook='printf "virtio_pci\nvirtio_blk\next4\n" > "$1/usr/share/initramfs-tools/modules.d/board"' \
    --customize-hook="sh '$BOARD_DIR/inside.sh' \"\$1\" '$BOARD_DIR' '$here' '$kernel'" \
    "$BOARD_SUITE" root "$BOARD_APT_SOURCES"

say "disk"
cp root/boot/vmlinuz-"$kernel" vmlinuz
cp root/boot/initrd.img-"$kernel" initrd.img
rm -f base.ext4 && truncate -s 3G base.ext4
mkfs.ext4 -q -F -d root -L board base.ext4
rm -rf root inside.sh
echo "$stamp" >built
say "done: $(du -sh base.ext4 | cut -f1)"
