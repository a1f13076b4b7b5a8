package web

import "maps"

// The texts of the pictures, the comparison and what is kept with a job.
func init() { maps.Copy(words, pictureWords) }

var pictureWords = map[string]string{
	"compare":                "Compare",
	"compare.skip":           "Skip to the comparison",
	"compare.pick":           "Two readings",
	"compare.a":              "From",
	"compare.b":              "To",
	"compare.with":           "To a reading of",
	"compare.this":           "this job",
	"compare.with.note":      "After another job is chosen, press Compare to see its readings.",
	"compare.change":         "Change",
	"compare.sure":           "a change",
	"compare.unsure":         "within the uncertainty",
	"compare.note":           "The change is the difference of the two vectors. Its uncertainty holds both readings and, across a stop or between two jobs, how well the rotor repeats.",
	"compare.few":            "Two readings are needed to compare.",
	"compare.none":           "Event %d is no reading of this job that counts.",
	"compare.nosensor":       "The two readings have no sensor of the same name, so nothing can be compared.",
	"compare.print":          "Board, channels or delays were not the same for the two readings: amplitudes may still be compared, phases only if the mark and the sensors stand where they stood.",
	"compare.machine":        "The two jobs name different machines (%s and %s).",
	"compare.speed":          "The speeds differ (%.0f and %.0f rpm): unbalance pulls with the square of the speed, so part of the change is the speed alone.",
	"compare.shape":          "Blades were straightened between the two readings, so the change is not that of weights alone.",
	"compare.spectra":        "Spectra laid over each other",
	"compare.spectrum.note":  "Averages over %.1f s and %.1f s of the two readings, a line every %.3g Hz. Levels carry no stated uncertainty.",
	"compare.spectrum.about": "Spectra of %s, %s and %s, in %s. Largest peaks: %s.",
	"compare.nospectrum":     "No spectra of this sensor were kept with both readings.",
	"compare.nospectra":      "No spectra were kept with both readings.",

	"kept.not":        "spectra or raw signal of this reading were not kept (%v); the reading itself was",
	"kept.unreadable": "The spectra kept in %s cannot be used (%v): the reading itself is untouched.",
	"file.large":      "The file %q has %d bytes, more than the %d that are read here.",

	"picture.svg": "Picture alone (SVG)",
	"picture.pdf": "For paper (PDF)",

	"job.polar":       "1x since the job began",
	"job.polar.about": "Polar picture of the 1x vectors over the %d readings of this job. Newest: %s.",
	"job.polar.note":  "Mark at the top, rotor turning anticlockwise. The points are the readings in their order, the shaded area is the 95 % region of the newest, the dotted circle the tolerance.",
	"job.polar.none":  "The polar picture begins with the first reading.",
}
