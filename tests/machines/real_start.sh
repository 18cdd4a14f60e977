#!/usr/bin/env bash
# The service from beginning to end in a real systemd, in a bare Debian that is made for it and vanishes with it: set up,
# installed, its timers, hung and begun anew, updated, removed; then a studio's server, from its script to its removal.
# As root: tests/machines/real_start.sh [SUITE]
# That Debian boots without a network. Ends with 1 if anything failed, with 0 and one line where no system can be booted.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/machines/machine.sh
suite=${1:-bookworm}
cannot() {
    say "NOT RUN: no system can be booted in a namespace here: $*"
    exit 0
}
((EUID == 0)) || cannot "that takes root"
said=$(unshare --mount --pid --net --ipc --uts --fork true 2>&1) || cannot "$said"
needs mmdebstrap=mmdebstrap systemd-nspawn=systemd-container
in_a_world_of_its_own "$@"

in_memory
root=$machine/root
make_machine "$machine" "$suite" "$(dpkg --print-architecture)" systemd systemd-sysv dbus python3 python3-venv \
    postgresql mosquitto libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
said=$(in_machine "$root" 2>&1 <<<true) || cannot "$said"
mkdir "$root/opt/house" "$root/opt/source"
git ls-files -z | tar c --null -T - | tar x -C "$root/opt/source"  # as they are, also where not yet committed
in_machine "$root" <<'END'
python3 -m venv /opt/building && /opt/building/bin/pip wheel -q --use-pep517 -w /opt/house '/opt/source[page,studio,report]' &&
    rm -r /opt/building /opt/source
END
# from here on it has no network
printf '[global]\nno-index = true\nfind-links = /opt/house\n' >"$root/etc/pip.conf"
cp tests/machines/service_life.sh tests/machines/studio_life.sh "$root/opt/"
cp -r config "$root/opt/config"
units=$root/etc/systemd/system
mkdir -p "$units/multi-user.target.wants"
cat >"$units/service-life.service" <<'END'
[Service]
Type=oneshot
ExecStart=/bin/bash /opt/service_life.sh
StandardOutput=file:/opt/said
StandardError=file:/opt/said
END
ln -s ../service-life.service "$units/multi-user.target.wants/"
say "made in $SECONDS s"

timeout 1200 systemd-nspawn -q -D "$root" --boot --register=no --keep-unit --console=read-only --private-network \
    >"$machine/console" 2>&1 || true
grep -q 'Basic System' "$machine/console" || cannot "$(tail -n 1 "$machine/console")"
grep -E '^[0-9]+ s: ' "$root/opt/said" || true
if grep -q '^FAILED' "$root/opt/said" || ! grep -q ' s: the studio is removed' "$root/opt/said"; then
    cat "$root/opt/said"
    say "FAILED"
    exit 1
fi
say "done in $SECONDS s"
