package hil

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
)

// MissingError names the tools that a build needs and this machine lacks.
type MissingError struct{ Tools, Packages []string }

func (e *MissingError) Error() string {
	return fmt.Sprintf("%s missing, so the firmware cannot be built and run here: apt install %s", strings.Join(e.Tools, ", "), strings.Join(e.Packages, " "))
}

// need is a tool or a file, and the Debian package that brings it.
type need struct{ what, in string }

var (
	avrNeeds = []need{
		{"make", "make"}, {"gcc", "gcc libc6-dev"}, {"avr-gcc", "gcc-avr"}, {"/usr/lib/avr/include/avr/io.h", "avr-libc"},
		{"/usr/include/simavr/sim_avr.h", "libsimavr-dev"}, {"/usr/include/libelf.h", "libelf-dev"},
	}
	armNeeds = []need{
		{"make", "make"}, {"arm-none-eabi-gcc", "gcc-arm-none-eabi"}, {"qemu-system-arm", "qemu-system-arm"},
	}
)

func missing(needs []need) error {
	var e MissingError
	for _, n := range needs {
		var there bool
		if filepath.IsAbs(n.what) {
			found, _ := filepath.Glob(n.what)
			there = len(found) > 0
		} else {
			_, err := exec.LookPath(n.what)
			there = err == nil
		}
		if !there {
			e.Tools, e.Packages = append(e.Tools, n.what), append(e.Packages, n.in)
		}
	}
	if len(e.Tools) > 0 {
		return &e
	}
	return nil
}

// Build is a folder with what was built.
type Build struct{ dir string }

// BuildAVR builds board A's firmware and its emulator from hw, the folder of
// the boards, into dir. Where tools are missing the error is a *MissingError.
func BuildAVR(hw, dir string) (Build, error) {
	return build(hw, dir, avrNeeds, "board-a", "emulator")
}

// BuildARM builds the Cortex-M firmware.
func BuildARM(hw, dir string) (Build, error) { return build(hw, dir, armNeeds, "board-m") }

func build(hw, dir string, needs []need, targets ...string) (Build, error) {
	if err := missing(needs); err != nil {
		return Build{}, err
	}
	dir, err := filepath.Abs(dir)
	if err != nil {
		return Build{}, err
	}
	if out, err := exec.Command("make", append([]string{"-s", "-C", hw, "OUT=" + dir}, targets...)...).CombinedOutput(); err != nil {
		return Build{}, fmt.Errorf("build %s: %w\n%s", strings.Join(targets, " and "), err, out)
	}
	return Build{dir}, nil
}
