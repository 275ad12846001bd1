package main

import (
	"bytes"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"ventward/config"
)

// A port that isn't there is no wrong use: the instrument may be unplugged.
func TestServeWithoutItsPorts(t *testing.T) {
	dir := t.TempDir()
	text := regexp.MustCompile(`/dev/serial/by-id/usb-kiln2-`).ReplaceAllString(string(config.Example()), dir+"/")
	text = strings.Replace(text, "127.0.0.1:8437", "127.0.0.1:0", 1)
	bench := writeFile(t, "bench.toml", text)
	out, errs, code := program(t, "--data", filepath.Join(dir, "data"), "serve", "--bench", bench)
	if code != exitFail || !strings.Contains(errs, "is not there") {
		t.Errorf("exit %d, want %d: %s%s", code, exitFail, out, errs)
	}
	var said bytes.Buffer
	if got := exitCode(wrongUse{config.Problems{}}, &said); got != exitWrong {
		t.Errorf("wrong use ends with %d", got)
	}
}
