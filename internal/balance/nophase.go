package balance

import "fmt"

// amplitudesOnly says whether the case is a no-phase job; a mixture is refused.
func amplitudesOnly(c *Case) (bool, error) {
	with, without := 0, 0
	for _, r := range c.Runs {
		for _, v := range r.Vectors {
			switch {
			case v.Missing:
			case v.NoPhase:
				without++
			default:
				with++
			}
		}
	}
	if with > 0 && without > 0 {
		return false, fmt.Errorf("%d readings have a phase and %d have none: give the phase everywhere, or nowhere for a job with amplitudes alone", with, without)
	}
	return without > 0, nil
}

func solveNoPhase(c *Case, o Options) (Answer, error) {
	return Answer{}, fmt.Errorf("not yet")
}
