package station

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"

	"counterpoise/internal/acq"
	"counterpoise/internal/durable"
)

// calibrated is a source with the delays of the configuration: the measured lag
// of a channel beside what its board states.
type calibrated struct {
	acq.Source
	extra map[string]float64 // s, by channel

	mu   sync.Mutex
	seen []pair // the newest set-ups, newest last: blocks on the way may carry the one before
}

// pair is a set-up as the source states it and as it is with the delays.
type pair struct{ stated, with *acq.Setup }

const setupsKept = 4

// calibrate puts the configured delays onto a source; one that has none stays as it is.
func calibrate(src acq.Source, channels []ChannelConfig) acq.Source {
	c := &calibrated{Source: src, extra: map[string]float64{}}
	for _, ch := range channels {
		if ch.Delay != 0 {
			c.extra[ch.Name] = ch.Delay
		}
	}
	if len(c.extra) == 0 {
		return src
	}
	return c
}

func (c *calibrated) Next(ctx context.Context) (*acq.Block, error) {
	b, err := c.Source.Next(ctx)
	if err == nil {
		b.Setup = c.of(b.Setup)
	}
	return b, err
}

func (c *calibrated) Setup() *acq.Setup { return c.of(c.Source.Setup()) }

// of is the same pointer for the same set-up, as a new one means a change.
func (c *calibrated) of(stated *acq.Setup) *acq.Setup {
	c.mu.Lock()
	defer c.mu.Unlock()
	if stated == nil {
		return nil
	}
	for _, p := range c.seen {
		if p.stated == stated || p.with == stated {
			return p.with
		}
	}
	next := *stated
	next.Channels = slices.Clone(stated.Channels)
	known := map[string]bool{}
	for i := range next.Channels {
		next.Channels[i].Delay += c.extra[next.Channels[i].Name]
		known[next.Channels[i].Name] = true
	}
	for name := range c.extra {
		if !known[name] {
			next.Notes = append(slices.Clone(next.Notes), fmt.Sprintf("station.toml has a delay for a channel %s, which the board does not have: correct its name", name))
		}
	}
	if len(c.seen) == setupsKept {
		c.seen = slices.Delete(c.seen, 0, 1)
	}
	c.seen = append(c.seen, pair{stated, &next})
	return &next
}

// KeepDelays writes measured delays (s, beyond what the board states, by
// channel) into a configuration file as delay_us of the station's channels, and
// leaves every other line as it is. The file changes whole or not at all.
func KeepDelays(path, station string, delays map[string]float64) error {
	old, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("the delays cannot be kept: %w", err)
	}
	c, err := ReadConfig(bytes.NewReader(old))
	if err != nil {
		return err
	}
	if !slices.ContainsFunc(c.Stations, func(s StationConfig) bool { return s.Name == station }) {
		return fmt.Errorf("%s has no station %q, so the delays were not kept: name one of its stations", path, station)
	}
	text := withDelays(string(old), station, delays)
	again, err := ReadConfig(strings.NewReader(text))
	if err != nil || !holds(again, station, delays) {
		return fmt.Errorf("%s is written in a way that this program does not dare to alter (%v): put the delays in by hand, as delay_us of the channels", path, err)
	}
	d, err := durable.NewDraft(filepath.Dir(path))
	if err != nil {
		return err
	}
	defer d.Discard()
	if _, err := d.Write([]byte(text)); err != nil {
		return err
	}
	if err := d.Seal(); err != nil {
		return err
	}
	return d.Keep(path)
}

func holds(c Config, station string, delays map[string]float64) bool {
	found := 0
	for _, s := range c.Stations {
		for _, ch := range s.Channels {
			if want, ok := delays[ch.Name]; ok && s.Name == station && math.Abs(ch.Delay-want) < 1e-7 {
				found++
			}
		}
	}
	return found == len(delays)
}

// withDelays edits the text line by line: tables begin with [, and those of a
// station reach to the next [[station]].
func withDelays(text, station string, delays map[string]float64) string {
	lines := strings.SplitAfter(text, "\n")
	if last := lines[len(lines)-1]; last != "" {
		lines[len(lines)-1] = last + "\n"
	} else {
		lines = lines[:len(lines)-1]
	}
	from, to := stationLines(lines, station)
	out := slices.Clone(lines[:from])
	left := map[string]bool{}
	for name := range delays {
		left[name] = true
	}
	for i := from; i < to; {
		end := i + 1
		for end < to && !strings.HasPrefix(strings.TrimSpace(lines[end]), "[") {
			end++
		}
		table := lines[i:end]
		if name, ok := valueOf(table, "name"); ok && header(lines[i]) == "[[station.channel]]" {
			if d, ok := delays[name]; ok && left[name] {
				delete(left, name)
				table = withDelay(table, d)
			}
		}
		out = append(out, table...)
		i = end
	}
	for _, name := range slices.Sorted(mapKeys(left)) {
		out = append(out, "\n", "[[station.channel]]\n", "name = "+strconv.Quote(name)+"\n", delayLine(delays[name]))
	}
	return strings.Join(append(out, lines[to:]...), "")
}

func mapKeys(m map[string]bool) func(func(string) bool) {
	return func(yield func(string) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// stationLines is where a station's tables begin and end.
func stationLines(lines []string, station string) (from, to int) {
	from, to = len(lines), len(lines)
	inside := false
	for i, l := range lines {
		if header(l) != "[[station]]" {
			continue
		}
		if inside {
			return from, i
		}
		end := i + 1
		for end < len(lines) && !strings.HasPrefix(strings.TrimSpace(lines[end]), "[") {
			end++
		}
		if name, _ := valueOf(lines[i:end], "name"); name == station {
			from, inside = i, true
		}
	}
	return from, to
}

// header is a line without its comment and blanks.
func header(l string) string {
	l, _, _ = strings.Cut(l, "#")
	return strings.ReplaceAll(strings.TrimSpace(l), " ", "")
}

// valueOf is a quoted value of a key in a table.
func valueOf(table []string, key string) (string, bool) {
	for _, l := range table {
		k, v, ok := strings.Cut(l, "=")
		if !ok || strings.TrimSpace(k) != key {
			continue
		}
		v = strings.TrimSpace(v)
		if v == "" {
			return "", false
		}
		end := strings.IndexByte(v[1:], v[0])
		if end < 0 || v[0] != '"' && v[0] != '\'' {
			return "", false
		}
		return v[1 : end+1], true
	}
	return "", false
}

func delayLine(d float64) string {
	return "delay_us = " + strconv.FormatFloat(d*1e6, 'f', 1, 64) + "\n"
}

// withDelay sets the line of a channel's table, after its last line that says something.
func withDelay(table []string, d float64) []string {
	out := slices.Clone(table)
	last := 0
	for i, l := range out {
		if k, _, ok := strings.Cut(l, "="); ok && strings.TrimSpace(k) == "delay_us" {
			out[i] = delayLine(d)
			return out
		}
		if strings.TrimSpace(l) != "" && !strings.HasPrefix(strings.TrimSpace(l), "#") {
			last = i
		}
	}
	return slices.Insert(out, last+1, delayLine(d))
}
