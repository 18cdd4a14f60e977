#!/usr/bin/env bash
# The service from beginning to end in a real systemd: set up, installed, hung and begun anew, thinned, updated, removed.
# As root, with debootstrap and systemd-container: tests/bench/real_start.sh FOLDER [SUITE]. FOLDER is made once, some
# minutes; then a run takes two. Nothing of this machine is touched, and the machine in FOLDER has no network.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
machine=$(realpath "${1:?give a folder}") suite=${2:-bookworm}
[[ -d $machine/usr ]] || debootstrap --variant=minbase \
    --include=systemd,systemd-sysv,dbus,python3,python3-venv "$suite" "$machine" >/dev/null

house=$machine/opt/house work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
mkdir -p "$house" "$work/source"
git archive HEAD | tar x -C "$work/source"
rm -f "$house"/potvigil*
.venv/bin/python -m pip wheel -q -w "$house" "$work/source[page]"
printf '[global]\nno-index = true\nfind-links = /opt/house\n' >"$machine/etc/pip.conf"
rm -rf "$machine"/etc/potvigil "$machine"/opt/potvigil "$machine"/var/lib/potvigil "$machine"/root/{pv,log,failed}

cat >"$machine/root/try.sh" <<'END'
exec >/root/log 2>&1
export HOME=/root
expect() { # WORDS... : the command has to end well
    "$@" || { echo "FAILED ($?): $*" | tee -a /root/failed; }
}
pid() { systemctl show -p MainPID --value potvigil; }
seconds() { echo "$SECONDS s: $*"; }
python3 -m venv /root/pv && /root/pv/bin/pip install -q /opt/house/potvigil*.whl
seconds program
printf '%s\n' harbour-models psi lantern '20 L' '3 L' '80 psi' '60 psi' '' shut epoxy-casting '8 K' \
    y '' n '40 m' n n y lens-and-lamp n y >/root/answers
expect /root/pv/bin/potvigil setup </root/answers
seconds setup
expect /root/pv/bin/potvigil service install
seconds install
for _ in {1..60}; do [[ -S /run/potvigil || -e /run/potvigil/live.json ]] && break; sleep 1; done
expect systemctl is-active potvigil potvigil-page potvigil-thin.timer
expect potvigil check
expect potvigil batch list
expect python3 -c 'import urllib.request as r; assert r.urlopen("http://127.0.0.1:8642/login").status == 200'
before=$(pid) at=$SECONDS
kill -STOP "$before"
for _ in {1..120}; do [[ $(pid) != 0 && $(pid) != "$before" ]] && break; sleep 1; done
[[ $(pid) != "$before" ]] || echo "FAILED: a hung watch is not begun anew" | tee -a /root/failed
seconds "watchdog, $((SECONDS - at)) s after it hung"
expect systemctl start potvigil-thin.service
expect /root/pv/bin/potvigil service update
expect systemctl is-active potvigil potvigil-page
seconds update
expect potvigil service remove
expect test -s /var/lib/potvigil/potvigil.db -a -s /etc/potvigil/workshop.yaml
expect test ! -e /opt/potvigil -a ! -e /usr/local/bin/potvigil -a ! -e /etc/systemd/system/potvigil.service
seconds remove
systemctl poweroff
END
printf '[Service]\nType=oneshot\nExecStart=/bin/bash /root/try.sh\n' >"$machine/etc/systemd/system/try.service"
mkdir -p "$machine/etc/systemd/system/multi-user.target.wants"
ln -sf ../try.service "$machine/etc/systemd/system/multi-user.target.wants/try.service"

timeout 600 systemd-nspawn -q -D "$machine" --boot --register=no --keep-unit --console=read-only --private-network \
    >"$work/console" 2>&1 || true
grep -E '^[0-9]+ s: |FAILED' "$machine/root/log" || { tail -n 20 "$work/console"; exit 1; }
grep -q ' s: remove$' "$machine/root/log" && [[ ! -e $machine/root/failed ]]
