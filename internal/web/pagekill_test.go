package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"counterpoise/internal/job"
	"counterpoise/internal/store"
)

// TestPageKill kills the real program while a job is driven through its API and
// the forms of its page, at random moments: every acknowledged event is there
// afterwards, byte by byte as it was seen, and the database is whole.
// COUNTERPOISE_KILLS asks for a longer trial.
func TestPageKill(t *testing.T) {
	slowly(t)
	kills := 10
	if n, err := strconv.Atoi(os.Getenv("COUNTERPOISE_KILLS")); err == nil {
		kills = n
	}
	rng := rand.New(rand.NewPCG(7, 1))
	d := newDemo(t, 30)
	k := &driver{demo: d, rng: rng, at: map[string]int{}}
	for n := range kills {
		ended := make(chan error, 1)
		go func() { ended <- k.drive() }()
		wait := time.NewTimer(time.Duration(rng.IntN(1500)) * time.Millisecond)
		select {
		case <-wait.C:
		case err := <-ended:
			t.Fatalf("kill %d: the driver gave up: %v", n, err)
		}
		d.kill()
		if err := <-ended; !errors.Is(err, errGone) {
			t.Fatalf("kill %d: %v", n, err)
		}
		k.at[k.stage]++
		if n%2 == 0 { // else the program itself is the first to open what the kill left behind
			k.checkStore(t)
		}
		d.begin()
		k.compare(t, k.jobs[max(0, len(k.jobs)-1):])
		if t.Failed() {
			t.Fatalf("after kill %d", n)
		}
	}
	k.compare(t, k.jobs)
	d.kill()
	k.checkStore(t)
	acked, found := 0, 0
	for _, j := range k.jobs {
		acked += j.acked
		found += len(j.raw)
	}
	t.Logf("%d kills, %d jobs, %d posts acknowledged (%d of them by forms of the page), %d refused with a sentence", kills, len(k.jobs), k.posts, k.forms, k.refused)
	t.Logf("%d events acknowledged, %d found, none lost or altered; the database was whole each time", acked, found)
	for st := job.StageLook; st <= job.StageClose; st++ {
		t.Logf("  killed in stage %-14s %4d times", st, k.at[st.String()])
	}
	if k.posts < kills {
		t.Errorf("only %d posts were acknowledged: this trial shows little", k.posts)
	}
}

// driver works jobs over HTTP until the program is gone, and remembers whatever
// it was told.
type driver struct {
	demo  *demo
	rng   *rand.Rand
	jobs  []*driven
	stage string // of the job when it was last looked at
	at    map[string]int

	posts, forms, refused int
}

// driven is what is known of one job.
type driven struct {
	page  string            // path of its page
	acked int               // number of the newest event that any answer spoke of
	notes []string          // notes whose storing was acknowledged, in order
	raw   []json.RawMessage // its events as they were last seen
}

// lookedAt is what of the answer about a job the driver needs.
type lookedAt struct {
	ID     string
	Events int
	Busy   Busy
	Step   struct {
		Stage, Item, Skip string
		Action            job.Action
	}
}

// errGone says that the program does not answer any more.
var errGone = errors.New("the program is gone")

func (k *driver) drive() error {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 20 * time.Second,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for {
		if len(k.jobs) == 0 {
			if err := k.create(client); err != nil {
				return err
			}
		}
		j := k.jobs[len(k.jobs)-1]
		s, err := k.look(client, j)
		if err != nil {
			return err
		}
		k.stage = s.Step.Stage
		if s.Step.Action == job.ActDone {
			if err := k.create(client); err != nil {
				return err
			}
			continue
		}
		if s.Busy.Doing == "" {
			if err := k.step(client, j, s); err != nil {
				return err
			}
		}
		if err := k.note(client, j); err != nil {
			return err
		}
		if k.rng.IntN(8) == 0 {
			if err := k.events(client, j); err != nil {
				return err
			}
		}
	}
}

func (k *driver) create(client *http.Client) error {
	code, body, err := k.send(client, "POST", "/api/v1/stations/bench-fan/jobs", "application/json", `{"name":"killed","by":"Ada","side":"the inlet side"}`)
	if err != nil {
		return err
	}
	if code != http.StatusCreated {
		k.refused++
		if strings.Contains(string(body), "rpm") { // left turning with weights: stop it, as the sentence says
			_, _, err = k.send(client, "POST", "/api/v1/stations/bench-fan/fan", "application/json", `{"do":"stop"}`)
		}
		return err
	}
	var s lookedAt
	if err := json.Unmarshal(body, &s); err != nil {
		return err
	}
	k.posts++
	k.jobs = append(k.jobs, &driven{page: "/stations/bench-fan/jobs/" + s.ID, acked: s.Events})
	return nil
}

func (k *driver) look(client *http.Client, j *driven) (s lookedAt, err error) {
	code, body, err := k.send(client, "GET", "/api/v1"+j.page, "", "")
	if err == nil && code != http.StatusOK {
		err = fmt.Errorf("a look: %d %s", code, body)
	}
	if err == nil {
		err = json.Unmarshal(body, &s)
	}
	j.acked = max(j.acked, s.Events)
	return s, err
}

// step does what is due, by the API or by the form of the page.
func (k *driver) step(client *http.Client, j *driven, s lookedAt) error {
	a := map[string]string{"do": string(s.Step.Action), "by": "Ada", "seen": strconv.Itoa(s.Events)}
	switch s.Step.Action {
	case job.ActLook, job.ActRepair:
		a["do"], a["item"], a["ok"] = "look", s.Step.Item, "yes"
		if s.Step.Item == "blade-survey" {
			a = map[string]string{"do": "skip", "by": "Ada", "step": s.Step.Skip, "note": "another day"}
		}
	case job.ActInspect:
		a["do"], a["step"], a["note"] = "skip", s.Step.Skip, "nothing found"
	case job.ActWait:
		return nil
	case job.ActFit:
		code, body, err := k.send(client, "GET", "/api/v1"+j.page+"/advice", "", "")
		if err != nil || code != http.StatusOK {
			return err
		}
		var adv struct{ Weights []FanWeight }
		if err := json.Unmarshal(body, &adv); err != nil {
			return err
		}
		for i, w := range adv.Weights {
			a[fmt.Sprintf("w%d.plane", i)] = w.Plane
			a[fmt.Sprintf("w%d.mass", i)], a[fmt.Sprintf("w%d.angle", i)] = fmt.Sprint(w.MassG), fmt.Sprint(w.AngleDeg)
		}
	}
	return k.post(client, j, a)
}

// note leaves a text that no other event has, of very different lengths.
func (k *driver) note(client *http.Client, j *driven) error {
	text := fmt.Sprintf("%d %x%s", k.posts, k.rng.Uint64(), strings.Repeat(" and on", 1<<k.rng.IntN(12)/2))
	before := k.posts
	if err := k.post(client, j, map[string]string{"do": "note", "by": "Ada", "note": text}); err != nil {
		return err
	}
	if k.posts > before {
		j.notes = append(j.notes, text)
	}
	return nil
}

func (k *driver) post(client *http.Client, j *driven, a map[string]string) error {
	if k.rng.IntN(2) == 0 || a["w0.plane"] != "" {
		form := url.Values{}
		for name, v := range a {
			form.Set(name, v)
		}
		code, body, err := k.send(client, "POST", j.page, "application/x-www-form-urlencoded", form.Encode())
		switch {
		case err != nil:
			return err
		case code == http.StatusSeeOther:
			k.posts++
			k.forms++
		case code == http.StatusConflict || code == http.StatusUnprocessableEntity:
			k.refused++
		default:
			return fmt.Errorf("a form: %d %s", code, body)
		}
		return nil
	}
	act := map[string]any{}
	for name, v := range a {
		act[name] = v
	}
	if n, err := strconv.Atoi(a["seen"]); err == nil {
		act["seen"] = n
	}
	if a["ok"] != "" {
		act["ok"] = true
	}
	sent, err := json.Marshal(act)
	if err != nil {
		return err
	}
	code, body, err := k.send(client, "POST", "/api/v1"+j.page+"/events", "application/json", string(sent))
	switch {
	case err != nil:
		return err
	case code == http.StatusConflict:
		k.refused++
		return nil
	case code != http.StatusOK:
		return fmt.Errorf("a post: %d %s", code, body)
	}
	k.posts++
	var s lookedAt
	err = json.Unmarshal(body, &s)
	j.acked = max(j.acked, s.Events)
	return err
}

func (k *driver) events(client *http.Client, j *driven) error {
	code, body, err := k.send(client, "GET", "/api/v1"+j.page+"/events", "", "")
	if err != nil {
		return err
	}
	var got struct{ Events []json.RawMessage }
	if code != http.StatusOK {
		return fmt.Errorf("the events: %d %s", code, body)
	}
	if err := json.Unmarshal(body, &got); err != nil {
		return err
	}
	if n := lostEvents(j.raw, got.Events); n > 0 {
		return fmt.Errorf("%d events changed while the program ran", n)
	}
	j.raw, j.acked = got.Events, max(j.acked, len(got.Events))
	return nil
}

// send makes one request; whatever was cut off by the kill is errGone, because
// nothing was acknowledged by it.
func (k *driver) send(client *http.Client, method, path, kind, body string) (code int, answer []byte, err error) {
	r, err := http.NewRequest(method, k.demo.home+path, strings.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	r.Header.Set("Origin", k.demo.home)
	r.Header.Set("Content-Type", kind)
	resp, err := client.Do(r)
	if err != nil {
		return 0, nil, errGone
	}
	defer resp.Body.Close()
	if answer, err = io.ReadAll(resp.Body); err != nil {
		return 0, nil, errGone
	}
	return resp.StatusCode, answer, nil
}

// compare holds what is there against what was acknowledged.
func (k *driver) compare(t *testing.T, jobs []*driven) {
	t.Helper()
	for _, j := range jobs {
		there := k.demo.events(j.page)
		if n := lostEvents(j.raw, there); n > 0 {
			t.Errorf("%s: %d of %d events that were seen are lost or altered", j.page, n, len(j.raw))
		}
		if len(there) < j.acked {
			t.Errorf("%s: event %d was acknowledged, %d are there", j.page, j.acked, len(there))
		}
		left := j.notes
		for i, raw := range there {
			var e job.Event
			if err := json.Unmarshal(raw, &e); err != nil || e.Number != i+1 {
				t.Errorf("%s: event %d is %v %s", j.page, i+1, err, raw)
			}
			if len(left) > 0 && e.Kind == job.KindNoted && e.Note == left[0] {
				left = left[1:]
			}
		}
		if len(left) > 0 {
			t.Errorf("%s: %d of %d acknowledged notes are lost, the first is %.40q", j.page, len(left), len(j.notes), left[0])
		}
		j.raw, j.acked = there, max(j.acked, len(there))
	}
}

// checkStore opens the database that the killed program left and reads all of it.
func (k *driver) checkStore(t *testing.T) {
	t.Helper()
	s, err := store.Open(filepath.Join(k.demo.data, "jobs.db"))
	must(t, err)
	defer s.Close()
	wrong, err := s.Check(context.Background())
	must(t, err)
	for _, w := range wrong {
		t.Error(w)
	}
	for _, j := range k.jobs {
		events, err := s.Events(context.Background(), j.page[strings.LastIndex(j.page, "/")+1:])
		if err != nil || len(events) < j.acked {
			t.Errorf("%s: event %d was acknowledged, the database holds %d: %v", j.page, j.acked, len(events), err)
		}
	}
}
