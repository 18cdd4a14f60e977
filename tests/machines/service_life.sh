# The life of the service, run by the systemd of a bare Debian as its first unit; real_start.sh puts it there.
# Each line that is said begins with its second; FAILED stands before what did not end well.
export HOME=/root COLUMNS=100 PATH=$PATH:/usr/local/bin
try() { "$@" || echo "FAILED ($?): $*"; }
seconds() { echo "$SECONDS s: $*"; }
wait_for() { # SECONDS COMMAND...
    local until=$((SECONDS + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        ((SECONDS < until)) || { echo "FAILED: waited in vain: $*"; return 1; }
        sleep 0.5
    done
}
pid() { systemctl show -p MainPID --value potvigil; }
is_new() { [[ $(pid) != 0 && $(pid) != "$1" ]]; }
page_says() { python3 -c 'import sys, urllib.request as r; sys.exit(r.urlopen("http://127.0.0.1:8642/login").status != 200)'; }
has_run() { [[ $(systemctl show -p ExecMainExitTimestampMonotonic --value "$1") != 0 ]]; }

user() { runuser -u caster -- env HOME=/home/caster SUDO_USER= bash -c "cd && $*"; }

useradd --create-home caster
own=/home/caster/potvigil/.venv/bin/potvigil
user 'mkdir potvigil && python3 -m venv potvigil/.venv && potvigil/.venv/bin/pip install -q /opt/house/potvigil*.whl'
seconds "a program to set up with"
# workshop, units of pressure and temperature, pot, volumes, pressures, floor, supply, resin, no thermometer; altitude, page, its password
printf '%s\n' harbour-models psi C lantern '20 L' '3 L' '80 psi' '60 psi' '' shut epoxy-casting '8 K' \
    y '' n '40 m' n n y lens-and-lamp n y >/opt/answers
try user "$own setup </opt/answers"
[[ -e /home/caster/.config/potvigil/workshop.yaml ]] || { echo "FAILED: setup asked otherwise than /opt/answers says"; systemctl poweroff; exit 1; }
echo 'record: {backups: {folder: /var/lib/potvigil/backups}}' >>/home/caster/.config/potvigil/workshop.yaml
try env SUDO_USER=caster "$own" service install # as sudo would
seconds "set up and installed"
wait_for 60 test -e /run/potvigil/live.json
wait_for 60 page_says
try systemctl is-active potvigil potvigil-page
try user potvigil check
try user potvigil batch list
useradd visitor
runuser -u visitor -- potvigil status | grep -q 'is for the group potvigil' || echo "FAILED: a visitor is not shown the group"
try user 'potvigil alarm test --priority high; potvigil status; potvigil alarm acknowledge'
seconds "watched, and the page answers"

# every timer there is fires, and what it starts ends well
before=$(pid)
for timer in /etc/systemd/system/potvigil-*.timer; do
    name=$(basename "$timer" .timer)
    [[ $name != potvigil-certificate ]] || continue # of a studio's server: studio_life.sh
    try systemctl is-enabled "$name.timer"
    mkdir -p "$timer.d"
    printf '[Timer]\nOnCalendar=\nOnActiveSec=1\nAccuracySec=1\nRandomizedDelaySec=0\nPersistent=no\n' >"$timer.d/soon.conf"
    systemctl daemon-reload && systemctl restart "$name.timer"
    wait_for 60 has_run "$name.service"
    try test "$(systemctl show -p Result --value "$name.service")" = success
    rm -r "$timer.d"
    seconds "timer $name"
done
systemctl daemon-reload

hung=$(pid)
try test "$hung" = "$before"
kill -STOP "$hung"
wait_for 90 is_new "$hung"
wait_for 30 systemctl is-active --quiet potvigil
seconds "a watch that hung is begun anew"
try "$own" service update
try systemctl is-active potvigil potvigil-page
wait_for 60 page_says
seconds "updated"
try test -s "$(compgen -G '/var/lib/potvigil/backups/potvigil-*.db')"
try potvigil service remove
try test -s /var/lib/potvigil/potvigil.db -a -s /etc/potvigil/workshop.yaml
try test ! -e /opt/potvigil -a ! -e /usr/local/bin/potvigil
try test -z "$(compgen -G '/etc/systemd/system/potvigil*')"
try test -z "$(systemctl list-units --no-legend 'potvigil*')"
seconds "removed, with record and settings left"
source /opt/studio_life.sh
systemctl poweroff
