package acq

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// record copies what standard input brings into a take.
func record(t *testing.T, in []byte, word, path string) []Block {
	t.Helper()
	rec, err := NewRecorder(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Open(word, Options{Stdin: bytes.NewReader(in), Tap: rec.Tap})
	if err != nil {
		t.Fatal(err)
	}
	var blocks []Block
	for {
		b, err := s.Next(context.Background())
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if len(blocks) == 0 {
			format, _ := Format(word)
			if err := rec.Begin(TakeHeader{Format: format, Source: word, Setup: b.Setup, Version: "test"}, time.Unix(1e9, 0)); err != nil {
				t.Fatal(err)
			}
			if _, err := os.Stat(path); err == nil {
				t.Error("the file has its name before it is whole")
			}
		}
		blocks = append(blocks, cloneBlock(b))
	}
	s.Close()
	if err := rec.Close(); err != nil {
		t.Fatal(err)
	}
	return blocks
}

func TestATakeReplaysToTheSameBlocks(t *testing.T) {
	b := newBoard()
	wire := append([]byte{7, 7, 7}, b.greeting([]byte{0})...)
	for i := range 200 {
		if i == 70 {
			b.drop()
		}
		wire = b.data(wire)
	}
	wire[500] ^= 1
	dir := t.TempDir()
	path := filepath.Join(dir, "run.take")
	blocks := record(t, wire, "-?scale.volts=100&unit.volts=m/s^2", path)
	s := open(t, "file:"+path)
	if again := all(t, s); !sameBlocks(blocks, again) {
		t.Error("a replay gives other blocks")
	}
	if c := s.Setup().Channels[1]; c.Scale != float64(float32(0.001))*100 || c.Quantity.String() != "acceleration" {
		t.Errorf("the calibration of the recording is lost: %+v", c)
	}
	recalibrated := open(t, "file:"+path+"?scale.volts=1")
	if c := recalibrated.Setup(); c != nil {
		t.Errorf("set-up before the first frame: %+v", c)
	}
	all(t, recalibrated)
	if c := recalibrated.Setup().Channels[1]; c.Scale != float64(float32(0.001)) {
		t.Errorf("a replay cannot recalibrate: %+v", c)
	}
	raw, err := os.ReadFile(path)
	if err != nil || !bytes.HasSuffix(raw, wire) || !bytes.HasPrefix(raw, []byte("counterpoise take 1\n{\"format\":\"frames\",\"protocol\":1,\"version\":\"test\",\"recorded\":\"2001-09-09T01:46:40Z\"")) {
		t.Errorf("%v, % .200q", err, raw)
	}
	if _, err := NewRecorder(path); err == nil || !strings.Contains(err.Error(), "exists already") {
		t.Errorf("an existing recording: %v", err)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("%v %v", left, err)
	}
}

func TestAnEmptyRecordingIsNotKept(t *testing.T) {
	dir := t.TempDir()
	rec, err := NewRecorder(filepath.Join(dir, "a.take"))
	if err != nil {
		t.Fatal(err)
	}
	if err := rec.Close(); err == nil || !strings.Contains(err.Error(), "nothing came") {
		t.Errorf("%v", err)
	}
	if left, _ := os.ReadDir(dir); len(left) != 0 {
		t.Errorf("left behind: %v", left)
	}
	if _, err := NewRecorder(filepath.Join(dir, "no", "a.take")); err == nil || !strings.Contains(err.Error(), "choose a directory") {
		t.Errorf("%v", err)
	}
}
