package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
)

// Exit codes of every command.
const (
	exitDone  = 0
	exitNo    = 1 // the answer is "no"
	exitWrong = 2 // wrong use or bad input
	exitFail  = 3 // could not finish: port, disk, network
)

// wrongUse marks an error as wrong use or bad input.
type wrongUse struct{ error }

func (w wrongUse) Unwrap() error { return w.error }

func badUse(format string, args ...any) error { return wrongUse{fmt.Errorf(format, args...)} }

// unfinished marks an error as one of port, disk or network, whatever is inside.
type unfinished struct{ error }

func (u unfinished) Unwrap() error { return u.error }

// errNo ends a command whose answer is "no"; what there is to say was
// printed.
var errNo = errors.New("the answer is no")

// exitCode says with which code an error ends the program, and prints it.
func exitCode(err error, stderr io.Writer) int {
	var wrong wrongUse
	var cut unfinished
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errNo):
		return exitNo
	case errors.As(err, &wrong), strings.HasPrefix(err.Error(), "required flag(s)"): // cobra's own words, without a type
		fmt.Fprintln(stderr, "ventward:", err)
		return exitWrong
	case !errors.As(err, &cut) && errors.Is(err, os.ErrNotExist):
		fmt.Fprintln(stderr, "ventward:", err)
		return exitWrong
	}
	fmt.Fprintln(stderr, "ventward:", err)
	return exitFail
}
