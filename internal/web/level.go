package web

import (
	"fmt"

	"counterpoise/internal/rotor"
	"counterpoise/internal/station"
)

// levelOf fills in the overall level of a channel: band-limited velocity, rms,
// with its severity zone, or the plain rms of a raw channel.
func levelOf(out *ChannelState, m rotor.Machine, snap *station.Snapshot, channel int, v View) {
	for _, l := range snap.Levels {
		if l.Channel != snap.Setup.Channels[channel].Name {
			continue
		}
		if l.Quantity == rotor.Raw {
			out.Overall = plain(l.RMS, 3, "raw rms")
			return
		}
		sc := v.Scale.level()
		out.Overall = plain(l.Velocity*sc.Unit.PerSI, 3, sc.Label())
		if z, ok := rotor.ZonesFor(m); ok {
			out.Zone = z.Zone(l.Velocity)
		}
	}
}

// levelNote says what the overall levels and the zones are.
func levelNote(m rotor.Machine, snap *station.Snapshot) string {
	for _, l := range snap.Levels {
		if l.Quantity == rotor.Raw || !finite(l.Velocity) {
			continue
		}
		note := fmt.Sprintf(say("overall.note"), l.Low, l.High)
		if l.NearEdge {
			note += " " + say("overall.edge")
		}
		if z, ok := rotor.ZonesFor(m); ok {
			note += " " + fmt.Sprintf(say("zone.note"), z.Name, rotor.FromMemory)
		}
		return note
	}
	return ""
}
