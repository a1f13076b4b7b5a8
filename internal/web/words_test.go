package web

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"counterpoise/internal/acq"
	"counterpoise/internal/balance/casefile"
	"counterpoise/internal/job"
	"counterpoise/internal/phase/sweep"
	"counterpoise/internal/rig"
	"counterpoise/internal/station"
)

// Every text that is asked for is in the catalogue, and none lies there unused:
// a translator must neither miss one nor waste work.
func TestEveryWordIsThereAndUsed(t *testing.T) {
	used := map[string]bool{}
	need := func(where, key string) {
		used[key] = true
		if _, ok := words[key]; !ok {
			t.Errorf("%s asks for %q, which is not in the catalogue", where, key)
		}
	}
	files, err := filepath.Glob("*.go")
	if err != nil || len(files) < 10 {
		t.Fatalf("found %d files: %v", len(files), err)
	}
	call := regexp.MustCompile(`\bsayf?\(?\s?"([a-z0-9.-]+)"`)
	quoted := regexp.MustCompile(`"(trust\.[a-z]+)"`) // chosen by a switch
	pages, err := filepath.Glob("assets/*.html")
	if err != nil || len(pages) < 3 {
		t.Fatalf("found %d templates: %v", len(pages), err)
	}
	for _, f := range append(files, pages...) {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		if strings.HasSuffix(f, "_test.go") || strings.HasPrefix(f, "words") {
			continue
		}
		for _, re := range []*regexp.Regexp{call, quoted} {
			for _, m := range re.FindAllStringSubmatch(string(b), -1) {
				if !strings.HasSuffix(m[1], ".") { // "rig." and its like are begun here, and listed below
					need(f, m[1])
				}
			}
		}
	}
	for _, s := range []string{acq.Connecting, acq.Greeting, acq.Running, acq.Silent, acq.Down, acq.Ended} {
		need("the link", "link."+s)
	}
	for _, m := range []station.Motion{station.Unknown, station.Still, station.Turning, station.LostTach} {
		need("the motion", "motion."+m.String())
		need("the motion", "motion."+m.String()+".text")
	}
	for _, m := range []rig.Motion{rig.Still, rig.Running, rig.Coasting} {
		need("the virtual fan", "rig."+string(m))
	}
	for _, a := range casefile.Asks {
		need("the case page", "case."+string(a))
	}
	for i := 1; i <= cautions; i++ {
		need("the cautions", "caution."+strconv.Itoa(i))
	}
	for g := job.StageLook; g <= job.StageClose; g++ {
		need("the stages", "job.stage."+g.String())
	}
	for _, it := range job.LookItems {
		need("the first look", "job.look.yes."+it.Code)
	}
	for _, k := range []job.Kind{job.KindSetup, job.KindLook, job.KindSurvey, job.KindStarted, job.KindStopped, job.KindAborted, job.KindFitted,
		job.KindMeasured, job.KindAdvised, job.KindSkipped, job.KindUndone, job.KindRedone, job.KindAmended, job.KindOperator, job.KindNoted, job.KindClosed, job.KindReopened, job.KindStraightened} {
		need("the history", "job.did."+string(k))
	}
	for _, c := range traceCautions {
		need("the cautions of a trace", "trace.caution."+c)
	}
	for _, k := range []string{sweep.Quiet, sweep.Near, sweep.On, sweep.Undecided} {
		need("the verdict on a speed", "trace."+k)
	}
	for _, k := range powerKinds {
		need("what became of a component", "trace."+k.key)
		need("what became of a component", "trace."+k.key+".means")
	}
	for _, tile := range []string{"link", "motion", "trust"} {
		need("a tile", tile)
	}
	for key := range words {
		if !used[key] {
			t.Errorf("%q is in the catalogue and used nowhere", key)
		}
	}
}
