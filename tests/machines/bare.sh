#!/usr/bin/env bash
# What the README has a new user type, in a bare Debian, with a clock beside it: from a clean clone, as an ordinary user
# without sudo and as root. As root: tests/machines/bare.sh [SUITE [ARCHITECTURE [ARGUMENTS OF PYTEST...]]]
# Another architecture is emulated, where its qemu is registered with the kernel (package qemu-user-static), and only
# rehearses a night: the tests would take hours.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
source tests/machines/machine.sh
own=$(dpkg --print-architecture)
suite=${1:-bookworm} architecture=${2:-$own}
[[ $architecture == "$own" ]] || needs arch-test=arch-test
needs mmdebstrap=mmdebstrap systemd-nspawn=systemd-container
in_a_world_of_its_own "$@"

in_memory
make_machine "$machine" "$suite" "$architecture" ca-certificates
git clone --quiet --bare . "$machine/root/srv/potvigil.git"
# the first two lines of the README that are to be typed
mapfile -t typed < <(sed -n 's/^    //p' README.md)
printf '%s\n' "${typed[0]}" >"$machine/root/srv/rehearse"
printf '%s\n' "${typed[1]} \"\$@\"" >"$machine/root/srv/test"

in_machine "$machine/root" <<END
set -euo pipefail
clock() { echo "\$((SECONDS / 60)) min \$((SECONDS % 60)) s: \$*"; }
as_user() { runuser -u caster -- env HOME=/home/caster bash -c "cd && \$1" bash "\${@:2}"; }
apt-get -qq update >/dev/null && DEBIAN_FRONTEND=noninteractive DEBCONF_NOWARNINGS=yes apt-get -qq install -y git python3-venv >/dev/null 2>&1
useradd --create-home caster
git config --system --add safe.directory '*'
clock "git and python3-venv installed, \$(python3 -V), \$(uname -m)"
as_user 'git clone -q /srv/potvigil.git && cd potvigil && source /srv/rehearse' | tail -n 4
clock "user: a night rehearsed"
[[ $architecture == $own ]] || exit 0
! as_user 'cd potvigil && source /srv/test --collect-only -qq' >/srv/said 2>&1 || { echo "FAILED: tests without their packages"; exit 1; }
cat /srv/said
grep -q 'install with: sudo apt-get install' /srv/said
clock "user: is told what the tests need"
cd /root && git clone -q /srv/potvigil.git && cd potvigil
(source /srv/rehearse) | tail -n 1
clock "root: a night rehearsed"
source /srv/test --collect-only -qq ${@:3} | tail -n 2
clock "root: the tests are set up"
as_user 'cd potvigil && source /srv/test "\$@"' ${@:3} || { echo "FAILED: the tests of the ordinary user"; exit 1; }
clock "user: the tests have run"
END
