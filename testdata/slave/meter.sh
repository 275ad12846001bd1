#!/bin/sh
# An instrument that answers lines of text, against which the query master is
# tested: a shell script that shares nothing with the program. Run it behind a
# pseudo-terminal:
#
#   socat PTY,link=PATH,raw,echo=0 EXEC:"sh meter.sh"
#
# P? answers a number that grows with every question, T? two fixed numbers,
# SLOW ms makes the next answer to P? come that late, V ON, V OFF and V? switch
# and read a relay. Anything else is answered ERR.
cr=$(printf '\r')
n=0
slow=0
relay=OFF
while IFS= read -r line; do
    line=${line%"$cr"}
    case $line in
    P\?)
        n=$((n + 1))
        if [ "$slow" != 0 ]; then
            sleep "$slow"
            slow=0
        fi
        printf 'P= %d.25 kPa\r\n' "$n"
        ;;
    T\?) printf '23.5;-1.75\r\n' ;;
    SLOW\ *)
        slow=${line#SLOW }
        printf 'OK\r\n'
        ;;
    "V ON" | "V OFF")
        relay=${line#V }
        printf 'OK\r\n'
        ;;
    V\?) printf '%s\r\n' "$relay" ;;
    *) printf 'ERR\r\n' ;;
    esac
done
