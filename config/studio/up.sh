#!/usr/bin/env bash
# A studio's server on Debian or Raspberry Pi OS: PostgreSQL, Mosquitto and the page of all pots. As root:
#   bash config/studio/up.sh server studio.local 192.168.1.20   by which names and addresses it is called
#   bash config/studio/up.sh pi lantern-pi harbour-models lantern   lets a Pi in: its name, its workshop, its pots
# Either may be repeated: what is there stays, what is missing or due is made. potvigil-certificate.timer does
# `renew`. compose.yaml beside this file takes the same steps, one container each.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
etc=/etc/potvigil page=front-desk
potvigil=$here/../../.venv/bin/potvigil # of the clone; else what is installed
[[ -x $potvigil ]] || potvigil=/opt/potvigil/bin/potvigil
fail() { echo "up.sh: $*" >&2 && exit 2; }

packages() {
    local each missing=()
    # the last three are what a report as PDF is made with
    for each in postgresql mosquitto libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0; do
        [[ $(dpkg-query -W -f '${Status}' "$each" 2>/dev/null) == *' installed' ]] || missing+=("$each")
    done
    ((${#missing[@]} == 0)) || DEBIAN_FRONTEND=noninteractive apt-get install -y "${missing[@]}"
}

settings() { # NAME... : of the page; those that are there stay
    install -d -m 755 "$etc"
    if [[ ! -e $etc/studio.yaml ]]; then
        (($#)) || fail "say by which names this machine is called: up.sh server studio.local 192.168.1.20"
        cat >"$etc/studio.yaml" <<YAML
studio: {host: 127.0.0.1, username: $page, password_file: $page-password}
mqtt: {host: 127.0.0.1, username: $page, password_file: $page-password, tls: {ca_file: page-authority.pem}}
page:
  host: 0.0.0.0
  names: [$(IFS=,; echo "$*" | sed 's/,/, /g')]
  password_file: page-password
  tls: {cert_file: page.pem, key_file: page.key}
YAML
    fi
    [[ -e $etc/page-password ]] || "$potvigil" page password --out "$etc/page-password"
}

keys() { # one authority and one certificate for page, database and broker
    local renew=()
    [[ ! -e $etc/page-authority.key ]] || renew=(--renew)
    "$potvigil" page certificate --config "$etc/studio.yaml" "${renew[@]}"
    hand_over postgres database
    hand_over mosquitto broker
    local each
    for each in passwords rights; do
        [[ -e $etc/broker/$each ]] || install -o mosquitto -g mosquitto -m 600 /dev/null "$etc/broker/$each"
    done
}

hand_over() { # USER FOLDER
    install -d -o "$1" -g "$1" -m 700 "$etc/$2"
    install -o "$1" -g "$1" -m 600 "$etc/page.pem" "$etc/$2/server.pem"
    install -o "$1" -g "$1" -m 600 "$etc/page.key" "$etc/$2/server.key"
}

renew() { # the certificate if it is due; page, database and broker then use what is there
    local before
    before=$(cat "$etc/page.pem" || true)
    "$potvigil" page certificate --config "$etc/studio.yaml" --renew
    [[ $before == "$(cat "$etc/page.pem")" ]] || systemctl try-restart potvigil-studio
    # a page alone has neither
    if [[ -d $etc/database ]]; then
        hand_over postgres database
        systemctl reload postgresql
    fi
    if [[ -d $etc/broker ]]; then
        hand_over mosquitto broker
        systemctl kill --signal=HUP mosquitto
    fi
}

let_in() { # FROM FILE: whoever has a password, encrypted, to this database alone
    local line="hostssl potvigil all $1 scram-sha-256"
    grep -qxF "$line" "$2" || echo "$line" >>"$2"
}

tables() { # and the page's own user, who reads them
    local there
    there=$(as_owner psql -tAc "SELECT 1 FROM pg_database WHERE datname = 'potvigil'")
    [[ $there ]] || as_owner createdb -T template0 -E UTF8 potvigil
    "$potvigil" studio prepare
    [[ -s $etc/$page-password ]] ||
        (umask 077 && "$potvigil" studio admit "$page" --reader --workshop '*' >"$etc/$page-password")
    allow "$page" 'read homie/5/#' 'write homie/5/+/alarms/acknowledge/set' <"$etc/$page-password"
}

as_owner() { (cd / && setpriv --reuid postgres --regid postgres --clear-groups "$@"); }

allow() { # NAME RIGHT... <PASSWORD : at the broker
    local name=$1 new each
    shift
    new=$(mktemp)
    { printf '%s:' "$name" && head -n 1; } >"$new"
    mosquitto_passwd -U "$new"
    sed -i "/^$name:/d" "$etc/broker/passwords" && cat "$new" >>"$etc/broker/passwords"
    rm "$new"
    sed -i "/^user $name\$/,/^\$/d" "$etc/broker/rights"
    { echo "user $name" && for each; do echo "topic $each"; done && echo; } >>"$etc/broker/rights"
    chown mosquitto:mosquitto "$etc/broker/passwords" "$etc/broker/rights"
}

server() {
    packages
    settings "$@"
    keys
    local version cluster
    read -r version cluster _ < <(pg_lsclusters --no-header | sort -rn)
    install -m 644 "$here/database.conf" "/etc/postgresql/$version/$cluster/conf.d/potvigil.conf"
    let_in samenet "/etc/postgresql/$version/$cluster/pg_hba.conf"
    systemctl restart "postgresql@$version-$cluster"
    tables
    install -m 644 "$here/broker.conf" /etc/mosquitto/conf.d/potvigil.conf
    systemctl restart mosquitto
    "$potvigil" service install --config "$etc/studio.yaml" --extra report
    echo "next: let each Pi in, $0 pi NAME WORKSHOP POT..."
}

pi() { # NAME WORKSHOP POT...
    (($# > 2)) || fail "give a name, a workshop and its pots: up.sh pi lantern-pi harbour-models lantern"
    local password host pot rights=("readwrite homie/5/$2/#")
    for pot in "${@:3}"; do # each is a device beside its workshop's
        rights+=("readwrite homie/5/$2-$pot/#")
    done
    password=$("$potvigil" studio admit "$1" --workshop "$2")
    allow "$1" "${rights[@]}" 'readwrite homeassistant/#' <<<"$password"
    [[ ! -d /run/systemd/system ]] || systemctl kill --signal=HUP mosquitto
    host=$(sed -n 's/^  names: \[\([^],]*\).*/\1/p' "$etc/studio.yaml")
    cat <<YAML
On $1: $etc/page-authority.pem of this machine as $etc/studio-ca.pem there, and in a file
$etc/studio-password, for root alone, this line:
$password
In its settings:
studio: {host: ${host:-NAME}, username: $1, password_file: studio-password, ca_file: studio-ca.pem}
mqtt: {host: ${host:-NAME}, username: $1, password_file: studio-password, tls: {ca_file: studio-ca.pem}}
YAML
}

# --- in containers, see compose.yaml

first() { # NAME...
    settings "$@"
    keys
}

database() { # as postgres, who owns the folder
    local data=/var/lib/postgresql/data programs include
    programs=$(printf '%s\n' /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
    [[ -e $data/PG_VERSION ]] ||
        "$programs/initdb" -D "$data" -E UTF8 --locale=C.UTF-8 --auth-local=peer --auth-host=scram-sha-256
    include="include '$here/database.conf'"
    grep -qxF "$include" "$data/postgresql.conf" || echo "$include" >>"$data/postgresql.conf"
    let_in all "$data/pg_hba.conf" # a published port hides who comes from where
    exec "$programs/postgres" -D "$data"
}

ready() { # what the other containers wait for
    tables
    chown potvigil-studio: "$etc"/{page.key,page-password,$page-password}
}

case ${1:-} in server | pi | renew | first | database | ready) "$@" ;; *) fail "server NAME..., or pi NAME WORKSHOP POT..." ;; esac
