#!/bin/sh
# Let one more vehicle, or one more member of staff, in.
#
# Prints a new password once and stores only its hash. The broker reads the file on `systemctl reload mosquitto`.
set -eu
umask 077

usage() {
    cat >&2 <<'TEXT'
usage: add_unit.sh password FILE FLEET/UNIT     a vehicle without a certificate; FILE: units.passwd
       add_unit.sh staff FILE NAME              landing, operator, ...; FILE: staff.passwd
       add_unit.sh cert DIR FLEET/UNIT          a vehicle with a certificate; DIR: where make_certs.sh made the CA

A name that is there already is refused. To renew one: mosquitto_passwd -D FILE NAME, and add it again.
TEXT
    exit 2
}

fail() {
    echo "add_unit.sh: $*" >&2
    exit 1
}

# check WORD WHAT NAME
check() {
    case $1 in '' | *[!A-Za-z0-9._-]*) fail "'$3': a $2 is 1 to 64 of A-Z a-z 0-9 . _ -" ;; esac
    [ "${#1}" -le 64 ] || fail "'$3': a $2 is 1 to 64 of A-Z a-z 0-9 . _ -"
}

# add FILE NAME
add() {
    command -v mosquitto_passwd >/dev/null || fail "mosquitto_passwd is not installed: apt-get install mosquitto"
    [ -e "$1" ] || fail "$1 is not there; make it first: install -o mosquitto -m 600 /dev/null $1"
    if cut -d: -f1 "$1" | grep -Fxq -e "$2"; then
        fail "$1 has '$2' already; to renew it: mosquitto_passwd -D $1 $2, and again"
    fi
    work=$(mktemp -d)
    trap 'rm -rf "$work"' EXIT
    password=$(openssl rand -hex 16)
    printf '%s:%s\n' "$2" "$password" >"$work/one" # not as an argument, where every user of the machine could read it
    mosquitto_passwd -U "$work/one" || fail "mosquitto_passwd cannot hash the password"
    cat "$work/one" >>"$1" # in place: owner and mode stay
    echo "$password"
    echo "added $2 to $1; now: systemctl reload mosquitto" >&2
}

[ $# -eq 3 ] || usage
case $1 in
    password)
        case $3 in */*) ;; *) fail "'$3': write FLEET/UNIT" ;; esac
        check "${3%%/*}" fleet "$3"
        check "${3#*/}" unit "$3"
        add "$2" "$3"
        ;;
    staff)
        check "$3" name "$3"
        add "$2" "$3"
        ;;
    cert) exec "$(dirname "$0")/make_certs.sh" unit "$2" "$3" ;;
    *) usage ;;
esac
