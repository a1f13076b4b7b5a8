package check

// Verdict of one finding.
type Verdict string

// The verdicts.
const (
	OK    Verdict = "ok"
	Note  Verdict = "note"  // worth a look; the job can be done
	Unfit Verdict = "unfit" // mend it before balancing
	Open  Verdict = "open"  // could not be told from this record
)

// Finding is one line of the page.
type Finding struct {
	Code    string   `json:"code"`
	Subject string   `json:"subject"` // link, clock, tach, or a channel's name
	Verdict Verdict  `json:"verdict"`
	Text    string   `json:"text"`             // what was found, with figures
	Remedy  string   `json:"remedy,omitempty"` // what to do; empty where all is well
	Value   *float64 `json:"value"`            // the figure that was judged; null where there is none
	Unit    string   `json:"unit,omitempty"`
}

// Page is the answer.
type Page struct {
	Schema   int       `json:"schema"`
	Source   string    `json:"source"`
	Board    string    `json:"board"`
	Seconds  float64   `json:"seconds"`
	SpeedRPM *float64  `json:"speed_rpm"`
	Fit      bool      `json:"fit"`
	Why      string    `json:"why"`
	Findings []Finding `json:"findings"`
}

func (p *Page) add(code, subject string, v Verdict, value float64, unit, text, remedy string) {
	f := Finding{Code: code, Subject: subject, Verdict: v, Text: text, Unit: unit}
	if v != OK {
		f.Remedy = remedy
	}
	if value == value {
		f.Value = &value
	}
	p.Findings = append(p.Findings, f)
}

// worse picks a verdict by two limits.
func worse(v, note, unfit float64) Verdict {
	switch {
	case v > unfit:
		return Unfit
	case v > note:
		return Note
	}
	return OK
}

// close reaches the verdict over all findings.
func (p *Page) close() {
	p.Fit, p.Why = true, "Fit: nothing found that would spoil a reading."
	notes := 0
	for _, f := range p.Findings {
		switch f.Verdict {
		case Unfit:
			if p.Fit {
				p.Fit, p.Why = false, "Not fit yet: "+f.Text
			}
		case Note:
			notes++
		}
	}
	if p.Fit && notes > 0 {
		p.Why = "Fit, with something to look at: read the notes."
	}
}
