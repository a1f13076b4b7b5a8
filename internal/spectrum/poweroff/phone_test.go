package poweroff

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/rotor"
	"counterpoise/internal/spectrum"
)

// Recordings of a real motor by a phone (MRecio, Acoustic and Vibration Fault
// Detection in Rotating Machines, Motor_2; Apache-2.0; kept beside the
// repository, not in it). Sampled 99 times a second they hold 1x and nothing of
// the supply: twice 50 Hz folds, and at 20 Hz no tone of it stands out of the
// noise. So no line frequency may be read from them, whatever nominal value is at
// hand, and without a mark no switching off may be judged.
func TestPhoneRecordingsShowNoLine(t *testing.T) {
	dir := "../../../../shared/data/motor-phone"
	if _, err := os.Stat(dir); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the phone recordings must be there in CI: %v", err)
		}
		t.Skipf("the phone recordings are not beside this repository: %v", err)
	}
	for _, c := range []struct {
		file string
		oneX float64 // Hz, half the drive's output less slip; 0 = not above the noise
	}{
		{"motor2_4w_50Hz", 24.8}, {"motor2_2w_50Hz", 24.7}, {"motor2_healthy_50Hz", 24.9}, {"motor2_2w_20Hz", 9.92}, {"motor2_healthy_20Hz", 0},
	} {
		b := phone(t, filepath.Join(dir, c.file+".csv"))
		a := spectrum.New(spectrum.Config{Lines: 400})
		a.Add(b)
		for _, s := range a.Latest() {
			peaks := s.Peaks(20)
			for _, known := range []spectrum.Context{{}, {LineHz: 50, Shafts: []spectrum.Shaft{{Name: "motor", Hz: c.oneX, Error: 0.1}}}} {
				if hz, _, estimated := s.EstimateLine(peaks, known); estimated {
					t.Errorf("%s, %s: a line frequency of %.3f Hz was read where none is", c.file, s.Channel, hz)
				}
			}
		}
		if c.oneX > 0 && !shows(a.Latest(), c.oneX) {
			t.Errorf("%s: no channel shows 1x at %.2f Hz", c.file, c.oneX)
		}
		test := New(Config{})
		test.Add(b)
		if _, err := test.Result(); err == nil || !strings.Contains(err.Error(), "no tach") {
			t.Errorf("%s: a switching off was judged without a mark: %v", c.file, err)
		}
	}
}

func shows(ss []spectrum.Spectrum, hz float64) bool {
	for _, s := range ss {
		for _, p := range s.Peaks(3) {
			if math.Abs(p.Hz-hz) < 0.3 {
				return true
			}
		}
	}
	return false
}

// phone reads a recording. The phone's clock ticks in bursts; the samples
// themselves are taken as even, at the mean rate.
func phone(t *testing.T, name string) *acq.Block {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	x := make([][]float32, 3)
	last := 0.0
	for _, row := range rows[1:] {
		for k := range 4 {
			v, err := strconv.ParseFloat(row[k], 64)
			if err != nil {
				t.Fatal(err)
			}
			if k == 0 {
				last = v / 1e3
			} else {
				x[k-1] = append(x[k-1], float32(v))
			}
		}
	}
	rate := float64(len(x[0])-1) / last
	setup := &acq.Setup{Source: name, Rate: rate, TickHz: rate}
	for _, n := range []string{"x", "y", "z"} {
		setup.Channels = append(setup.Channels, acq.Channel{Name: n, Quantity: rotor.Acceleration, Scale: 1})
	}
	return &acq.Block{Setup: setup, Samples: x}
}
