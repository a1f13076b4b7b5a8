package web

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
)

// What the walk of somebody who sees the page for the first time may cost. The
// model is written out because nobody was measured: a tap and a figure typed at
// the pace of the keystroke-level model (Card, Moran and Newell 1980; its times
// from memory), reading at 200 words a minute (a slow reader; common practice,
// no source).
const (
	tapSeconds     = 1.1 + 0.2 + 1.35 // point, press, decide
	wordSeconds    = 60.0 / 200
	newcomerWithin = 300.0 // s
)

var figures = regexp.MustCompile(`[-+]?[0-9][0-9.]*`)

// reader counts what a person meets on the way to a balanced fan.
type reader struct {
	seen          map[string]bool
	screens, taps int
	low           int // screens whose button ends below the fold
	all, needed   int // words that were not met before
	rows          []string
}

// on counts a screen up to the button that is pressed: all that stands above it
// and was not met before, and of this what must be read to know what to press:
// headings, the line that says what is due, labels of fields, the button.
func (r *reader) on(t *testing.T, p *person, name, selector string) {
	t.Helper()
	type text struct {
		Words string
		Must  bool
	}
	found := ask[struct {
		Texts []text
		Label string
		Below bool
	}](t, p.ctx, `(() => {
		const b = [...document.querySelectorAll(`+"`"+selector+"`"+`)].find(e => e.checkVisibility());
		const end = b.getBoundingClientRect().bottom, out = [];
		const walk = document.createTreeWalker(document.querySelector("main"), NodeFilter.SHOW_TEXT);
		for (let n = walk.nextNode(); n; n = walk.nextNode()) {
			const e = n.parentElement, words = n.data.split(/\s+/).filter(Boolean).join(" ");
			if (!words || !e.checkVisibility() || e.closest("svg, option, .vh, script, style")) continue;
			const range = document.createRange(); range.selectNodeContents(n);
			const box = range.getBoundingClientRect();
			if (box.width < 1 || box.top > end) continue;
			out.push({Words: words, Must: b.contains(e) || !!e.closest("h2, .todo, .ruler, .bigfields, .alert, .beside")});
		}
		return {Texts: out, Label: b.innerText.trim(), Below: end + scrollY > innerHeight};
	})()`)
	fresh, must := 0, 0
	for _, x := range found.Texts {
		n := len(strings.Fields(x.Words))
		if r.seen[x.Words] {
			continue
		}
		if same := figures.ReplaceAllString(x.Words, "#"); r.seen[same] { // a known sentence with other figures
			n = strings.Count(same, "#")
		} else {
			r.seen[same] = true
		}
		r.seen[x.Words] = true
		if fresh += n; x.Must {
			must += n
		}
	}
	r.screens, r.taps, r.all, r.needed = r.screens+1, r.taps+1, r.all+fresh, r.needed+must
	if found.Below {
		r.low++
	}
	r.rows = append(r.rows, fmt.Sprintf("%-24s %-38q %3d new words, %3d of them needed, below the fold: %v", name, found.Label, fresh, must, found.Below))
}

// Somebody who has never seen the page balances the fan that "demo" shows, on a
// phone, by the big buttons alone: counted are screens, taps, words and the wait
// for the fan.
func TestNewcomerIsQuick(t *testing.T) {
	slowly(t)
	if !long() {
		t.Skip("a minute of waiting for the fan; set COUNTERPOISE_LONG=1, or run campaign page")
	}
	p := newPerson(t, browser(t), newDemoOf(t, "", 3), "Sam") // the pace that the README names
	p.auto = true
	p.window()
	r := &reader{seen: map[string]bool{}}
	p.before = func(name, selector string) { r.on(t, p, name, selector) }
	p.begin()
	r.taps = 3 // on "Balance this rotor", into the field of the name, on "Begin"
	p.walk(nil)
	if text := p.text(); !strings.Contains(text, say("job.closing.balanced")) {
		t.Fatalf("the fan is not balanced:\n%s", text)
	}
	taps := float64(r.taps)
	hand, wait := taps*tapSeconds, p.waited.Seconds()
	t.Logf("\n%s\n%d screens (%d with the button below the fold), %.0f taps; %d words that were not met before, %d of them needed to know what to press",
		strings.Join(r.rows, "\n"), r.screens, r.low, taps, r.all, r.needed)
	quick, slow := hand+wait+float64(r.needed)*wordSeconds, hand+wait+float64(r.all)*wordSeconds
	t.Logf("the fan is waited for %.0f s, taps take %.0f s (model); reading what is needed %.0f s, every word %.0f s (model): %.0f s, or %.0f s for who reads every word",
		wait, hand, float64(r.needed)*wordSeconds, float64(r.all)*wordSeconds, quick, slow)
	if quick > newcomerWithin {
		t.Errorf("a newcomer needs %.0f s by the model, at most %.0f are wanted", quick, newcomerWithin)
	}
}
