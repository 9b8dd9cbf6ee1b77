#!/bin/sh
# A private certificate authority for one broker and its vehicles. Needs openssl only.
#
# What is there already is kept: run it again with more units. Nothing is ever overwritten.
set -eu
umask 077

CA_DAYS=3650     # when it ends, every vehicle needs a new ca.crt
SERVER_DAYS=730
UNIT_DAYS=1825   # a gateway is seldom in a shop for its software

usage() {
    cat >&2 <<'TEXT'
usage: make_certs.sh ca DIR
       make_certs.sh server DIR NAME...         NAME: a host name or an address by which vehicles reach the broker
       make_certs.sh unit DIR FLEET/UNIT...

Writes DIR/ca.crt, ca.key; DIR/server.crt, server.key; DIR/units/FLEET+UNIT.crt, FLEET+UNIT.key. Keys have mode 0600.
TEXT
    exit 2
}

fail() {
    echo "make_certs.sh: $*" >&2
    exit 1
}

# make_ca DIR
make_ca() {
    mkdir -p "$1"
    if [ -e "$1/ca.crt" ] && [ -e "$1/ca.key" ]; then
        echo "kept $1/ca.crt"
        return
    fi
    if [ -e "$1/ca.crt" ] || [ -e "$1/ca.key" ]; then
        fail "$1 has only one of ca.crt and ca.key; bring back the other, or move it away"
    fi
    openssl ecparam -name prime256v1 -genkey -noout -out "$work/key"
    openssl req -config "$work/config" -x509 -new -key "$work/key" -sha256 -days "$CA_DAYS" \
        -subj "/CN=airwatch broker CA" -extensions authority -out "$work/crt"
    mv "$work/key" "$1/ca.key"
    mv "$work/crt" "$1/ca.crt"
    chmod 644 "$1/ca.crt"
    echo "made $1/ca.crt"
}

# sign DIR PATH SUBJECT DAYS USAGE [ALTERNATIVE NAMES]: makes PATH.key and PATH.crt
sign() {
    if [ ! -e "$1/ca.crt" ] || [ ! -e "$1/ca.key" ]; then
        fail "$1 has no ca.crt and ca.key; first: make_certs.sh ca $1"
    fi
    [ ! -e "$2.key" ] || fail "$2.key is there without its certificate; move it away and run this again"
    {
        echo "basicConstraints=critical,CA:FALSE"
        echo "keyUsage=critical,digitalSignature"
        echo "extendedKeyUsage=$5" # a unit's certificate cannot stand for the broker, nor the broker's for a unit
        [ -z "${6:-}" ] || echo "subjectAltName=$6"
    } >"$work/ext"
    openssl ecparam -name prime256v1 -genkey -noout -out "$work/key"
    openssl req -config "$work/config" -new -key "$work/key" -sha256 -subj "/CN=$3" -out "$work/csr"
    openssl x509 -req -in "$work/csr" -CA "$1/ca.crt" -CAkey "$1/ca.key" -set_serial "0x$(openssl rand -hex 16)" \
        -sha256 -days "$4" -extfile "$work/ext" -out "$work/crt" 2>"$work/log" || fail "openssl: $(cat "$work/log")"
    mv "$work/key" "$2.key"
    mv "$work/crt" "$2.crt"
    chmod 644 "$2.crt"
    echo "made $2.crt"
}

# is_address NAME
is_address() {
    case $1 in
        *:*) true ;;
        *[!0-9.]*) false ;;
        *) true ;;
    esac
}

# make_server DIR NAME...
make_server() {
    dir=$1
    shift
    alternatives=
    for name in "$@"; do
        case $name in
            '' | *[!A-Za-z0-9.:-]*) fail "'$name' is no host name and no address" ;;
        esac
        if is_address "$name"; then kind=IP; else kind=DNS; fi
        alternatives="$alternatives${alternatives:+,}$kind:$name"
    done
    if [ -e "$dir/server.crt" ]; then
        for name in "$@"; do
            if is_address "$name"; then option=-checkip; else option=-checkhost; fi
            openssl x509 -in "$dir/server.crt" -noout "$option" "$name" | grep -q "does match" ||
                fail "$dir/server.crt is not for $name; move it and server.key away and run this again"
        done
        echo "kept $dir/server.crt"
        return
    fi
    sign "$dir" "$dir/server" "airwatch broker" "$SERVER_DAYS" serverAuth "$alternatives"
}

# make_unit DIR FLEET/UNIT
make_unit() {
    fleet=${2%%/*}
    unit=${2#*/}
    case $2 in
        */*) ;;
        *) fail "'$2': write FLEET/UNIT" ;;
    esac
    case $fleet in '' | *[!A-Za-z0-9._-]*) fail "'$2': a fleet is 1 to 64 of A-Z a-z 0-9 . _ -" ;; esac
    case $unit in '' | *[!A-Za-z0-9._-]*) fail "'$2': a unit is 1 to 64 of A-Z a-z 0-9 . _ -" ;; esac
    [ "${#2}" -le 64 ] || fail "'$2' has ${#2} characters, a certificate's name holds 64; give this unit a password: add_unit.sh password"
    mkdir -p "$1/units"
    if [ -e "$1/units/$fleet+$unit.crt" ]; then
        echo "kept $1/units/$fleet+$unit.crt"
        return
    fi
    sign "$1" "$1/units/$fleet+$unit" "$fleet\\/$unit" "$UNIT_DAYS" clientAuth
}

[ $# -ge 2 ] || usage
command -v openssl >/dev/null || fail "openssl is not installed: apt-get install openssl"
verb=$1
folder=$2
shift 2
case $verb in
    ca) [ $# -eq 0 ] || usage ;;
    server | unit) [ $# -ge 1 ] || usage ;;
    *) usage ;;
esac
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cat >"$work/config" <<'TEXT'
[req]
distinguished_name = name
[name]
[authority]
basicConstraints = critical,CA:TRUE,pathlen:0
keyUsage = critical,keyCertSign,cRLSign
subjectKeyIdentifier = hash
TEXT
case $verb in
    ca) make_ca "$folder" ;;
    server) make_server "$folder" "$@" ;;
    unit) for one in "$@"; do make_unit "$folder" "$one"; done ;;
esac
