# Small Debians of their own, made of packages from wherever this machine's apt and pip get them. Sourced.
# They lie in memory and vanish with the script that made them: nothing of this machine is touched.

say() { echo "$(basename "$0"): $*" >&2; }

in_a_world_of_its_own() { # "$@": goes on there with these arguments
    [[ ${WORLD_OF_ITS_OWN:-} ]] && return
    # mounts of this script are its own, and end with it
    exec env WORLD_OF_ITS_OWN=1 unshare --mount --propagation private bash "$0" "$@"
}

needs() { # COMMAND=PACKAGE...
    local each missing=()
    for each; do command -v "${each%=*}" >/dev/null || missing+=("${each#*=}"); done
    ((${#missing[@]})) || return 0
    say "installing ${missing[*]}"
    { apt-get -qq update && DEBIAN_FRONTEND=noninteractive \
        apt-get -qq install -y --no-install-recommends "${missing[@]}"; } >/dev/null || {
        say "apt-get could not install ${missing[*]}"
        exit 1
    }
}

in_memory() { # sets $machine, a folder for one
    machine=$(mktemp -d)
    trap 'umount "$machine"; rmdir "$machine"' EXIT
    mount -t tmpfs -o size=6g machine "$machine"
}

make_machine() { # FOLDER SUITE ARCHITECTURE PACKAGE... : FOLDER/root is one
    local folder=$1 suite=$2 architecture=$3 own each made=()
    shift 3
    mkdir "$folder/made-of"
    own=$(sed -n 's/^VERSION_CODENAME=//p' /etc/os-release)
    for each in /etc/apt/sources.list /etc/apt/sources.list.d/*.{list,sources}; do
        grep -qs '^[^#]' "$each" || continue
        sed "s/\b$own\b/$suite/g" "$each" >"$folder/made-of/$(basename "$each")"
        made+=("$folder/made-of/$(basename "$each")")
    done
    apt-config dump | grep -E '^Acquire::.*Proxy' >"$folder/made-of/proxy" || true
    mmdebstrap --quiet --variant=minbase --architectures="$architecture" --aptopt="$folder/made-of/proxy" \
        --include="$(IFS=,; echo "$*")" "$suite" "$folder/root" "${made[@]}"
    echo '127.0.0.1 localhost' >"$folder/root/etc/hosts"  # as Debian's installer does
    lend_pip "$folder/root"
}

lend_pip() { # FOLDER: the index this machine asks, and the authorities it trusts
    local bundle=/etc/ssl/certs/ca-certificates.crt
    {
        echo '[global]'
        python3 -m pip config list 2>/dev/null |
            sed -nE "s/^[^.]*\.(index-url|trusted-host|cert)='(.*)'$/\1 = \2/p" | sort -u
    } >"$1/etc/pip.conf"
    [[ ! -e $bundle ]] || install -D -m 644 "$bundle" "$1$bundle"
}

in_machine() { # FOLDER OPTION... : what is typed there, on standard input
    local folder=$1
    shift
    # its last words are about a folder of its own
    systemd-nspawn --quiet -D "$folder" --register=no --keep-unit --pipe --setenv=LANG=C.UTF-8 "$@" bash -s \
        2> >(grep -v '/run/systemd/nspawn/propagate' >&2)
}
