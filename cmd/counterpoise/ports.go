package main

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"text/tabwriter"

	"counterpoise/internal/acq"
)

var portsCommand = command{
	name: "ports", args: "[PORT...] [--json]", summary: "serial ports and what answers on them",
	run: runPorts,
}

func runPorts(ctx context.Context, e env, args []string) error {
	o := newOptions("ports", e)
	asJSON := o.Bool("json", false, "answer as JSON")
	baud := o.Int("baud", 0, "speed of the line; boards on USB ignore it (500000)")
	names, err := o.parse(args)
	if err != nil {
		return err
	}
	ports, err := namedPorts(names)
	if err != nil {
		return err
	}
	var all sync.WaitGroup
	for i := range ports {
		all.Go(func() { ports[i].Ask(ctx, *baud) })
	}
	all.Wait()
	if err := ctx.Err(); err != nil {
		return err
	}
	if *asJSON {
		return portsJSON(e, ports)
	}
	return portsText(e, ports)
}

// namedPorts are the given ones, or all that the system knows.
func namedPorts(names []string) (ports []acq.Port, err error) {
	if len(names) == 0 {
		return acq.Ports()
	}
	for _, n := range names {
		ports = append(ports, acq.Port{Name: strings.TrimPrefix(n, "serial:")})
	}
	return ports, nil
}

func portsText(e env, ports []acq.Port) error {
	if len(ports) == 0 {
		_, err := fmt.Fprintln(e.stdout, "no serial port on this machine: plug a board in, or name a port: counterpoise ports /dev/ttyACM0")
		return err
	}
	w := tabwriter.NewWriter(e.stdout, 0, 0, 2, ' ', 0)
	for _, p := range ports {
		answer := p.Reason
		if s := p.Setup; s != nil {
			answer = fmt.Sprintf("%s, id %s: %d channels at %.6g samples a second, %s", s.Board, s.ID, len(s.Channels), s.Rate, tachWord(s))
		}
		fmt.Fprintf(w, "%s\t%s\n", p.Name, answer)
		if p.Stable != "" {
			fmt.Fprintf(w, "\talso %s, which stays the same when it is plugged in elsewhere\n", p.Stable)
		}
	}
	return w.Flush()
}

func tachWord(s *acq.Setup) string {
	if !s.HasTach {
		return "no tach"
	}
	return fmt.Sprintf("tach with %d a turn", s.PulsesPerTurn)
}

// portAnswer is one port of ports --json.
type portAnswer struct {
	Port     string   `json:"port"`
	Source   string   `json:"source"`
	Stable   string   `json:"stable_name,omitempty"`
	Answers  bool     `json:"answers"`
	Board    string   `json:"board,omitempty"`
	ID       string   `json:"id,omitempty"`
	Channels []string `json:"channels,omitempty"`
	Rate     float64  `json:"rate_hz,omitempty"`
	Tach     bool     `json:"tach"`
	Reason   string   `json:"reason,omitempty"`
}

func portsJSON(e env, ports []acq.Port) error {
	answer := struct {
		Schema int          `json:"schema"`
		Ports  []portAnswer `json:"ports"`
	}{1, []portAnswer{}}
	for _, p := range ports {
		a := portAnswer{Port: p.Name, Source: "serial:" + p.Name, Stable: p.Stable, Reason: p.Reason}
		if s := p.Setup; s != nil {
			a.Answers, a.Board, a.ID, a.Rate, a.Tach = true, s.Board, s.ID, s.Rate, s.HasTach
			for _, c := range s.Channels {
				a.Channels = append(a.Channels, c.Name)
			}
		}
		answer.Ports = append(answer.Ports, a)
	}
	enc := json.NewEncoder(e.stdout)
	enc.SetIndent("", "  ")
	return enc.Encode(answer)
}
