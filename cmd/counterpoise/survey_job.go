package main

import (
	"context"
	"fmt"

	"counterpoise/internal/blades/surveyfile"
)

// besideJob judges a survey beside what the runs of a stored job measured, in
// mm/s rms, as the page of the job does. Without a file it is the newest survey
// that the job keeps.
func besideJob(ctx context.Context, data, id string, f *surveyfile.File) (*surveyfile.Reply, error) {
	s, err := readJobs(data)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	st, err := s.State(ctx, id)
	if err != nil {
		return nil, err
	}
	if st.Setup == nil {
		return nil, fmt.Errorf("the job %s knows no machine and no sensors yet, so nothing can be set beside a survey: set it up and take a reading first", id)
	}
	shape := st.Shape
	if f == nil {
		if f, shape, err = st.KeptSurvey(); err != nil {
			return nil, err
		}
	}
	beside, why := st.Witness(shape, f.FanZMM*1e-3).Beside(st.Setup)
	a, err := f.AnswerBeside(&beside)
	if err == nil && why != nil && len(a.Moves) > 0 {
		a.Verdicts = append(a.Verdicts, surveyfile.ReplyVerdict{Code: "prediction-unknown", Text: fmt.Sprintf("The change of 1x at the sensors cannot be foretold yet: %v.", why)})
	}
	return a, err
}
