package web

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"
)

// hands works a job over HTTP as the page's script and other programs do.
type hands struct {
	t    *testing.T
	home string
	job  string
}

func (h hands) post(path, body string) (code int, got map[string]any) {
	r, err := http.NewRequest("POST", h.home+path, strings.NewReader(body))
	if err != nil {
		h.t.Error(err)
		return 0, nil
	}
	r.Header.Set("Origin", h.home)
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		h.t.Error(err)
		return 0, nil
	}
	defer resp.Body.Close()
	json.NewDecoder(resp.Body).Decode(&got)
	return resp.StatusCode, got
}

func (h hands) act(do, more string) map[string]any {
	h.t.Helper()
	code, got := h.post(h.job+"/events", fmt.Sprintf(`{"do":%q,"by":"Ada"%s}`, do, more))
	if code != http.StatusOK {
		h.t.Fatalf("%s: %d %v", do, code, got["error"])
	}
	return got
}

// await follows the stream until the job has so many events and nothing is being done.
func (h hands) await(events float64) {
	h.t.Helper()
	resp, err := http.Get(h.home + h.job + "/stream")
	must(h.t, err)
	defer resp.Body.Close()
	end := time.AfterFunc(time.Minute, func() { resp.Body.Close() })
	defer end.Stop()
	last := ""
	for sc := bufio.NewScanner(resp.Body); sc.Scan(); {
		var m struct {
			Events float64
			Busy   Busy
		}
		if sc.Text() != "" {
			last = sc.Text()
		}
		if text, ok := strings.CutPrefix(sc.Text(), "data: "); ok && json.Unmarshal([]byte(text), &m) == nil && m.Events >= events && m.Busy.Doing == "" {
			return
		}
	}
	h.t.Fatalf("the stream ended before event %v; the last was %s", events, last)
}

// One operates, many look and press at once: of many equal presses on what is
// seen one counts, nobody's look disturbs a reading, and a second reading is
// refused while one is taken.
func TestManyHandsOnOneJob(t *testing.T) {
	b := newBed(t)
	h := hands{t: t, home: b.home}
	_, got := h.post("/api/v1/stations/bench%20fan/jobs", `{"name":"many hands","by":"Ada","side":"the inlet side"}`)
	h.job = "/api/v1/stations/bench%20fan/jobs/" + got["id"].(string)
	seen := got["events"].(float64)
	var wins, stale sync.Map
	var all sync.WaitGroup
	for i := range 8 {
		all.Go(func() {
			code, got := h.post(h.job+"/events", fmt.Sprintf(`{"do":"look","item":"cautions","ok":true,"by":"Ada","seen":%v}`, seen))
			if code == http.StatusOK {
				wins.Store(i, true)
			} else if got["stale"] == true {
				stale.Store(i, true)
			}
		})
	}
	all.Wait()
	if w, s := count(&wins), count(&stale); w != 1 || s != 7 {
		t.Errorf("of eight equal presses %d counted and %d were told that the job moved on, want 1 and 7", w, s)
	}
	h.act("look", `,"item":"no-cracks","ok":true`)
	begun := h.act("start", "")
	h.act("measure", "")
	if code, got := h.post(h.job+"/events", `{"do":"measure","by":"Ada"}`); code != http.StatusConflict || got["error"] != say("job.busy") {
		t.Errorf("a second reading at once: %d %v", code, got["error"])
	}
	for range 4 {
		all.Go(func() {
			for range 5 {
				resp, err := http.Get(b.home + h.job)
				if err != nil || resp.StatusCode != http.StatusOK {
					t.Errorf("a look: %v %v", resp, err)
					return
				}
				resp.Body.Close()
			}
		})
	}
	h.await(begun["events"].(float64) + 1)
	all.Wait()
	after := h.act("stop", "")
	h.await(after["events"].(float64) + 1)
	if _, got = h.post(h.job+"/events", `{"do":"note","note":"done","by":"Ada"}`); got["running"] != false || len(got["readings"].([]any)) != 1 {
		t.Errorf("left with running %v and %v readings", got["running"], got["readings"])
	}
}

func count(m *sync.Map) (n int) {
	m.Range(func(any, any) bool { n++; return true })
	return n
}
