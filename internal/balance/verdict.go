package balance

// contradicted says whether the stored coefficients disagree with the runs.
func (m *model) contradicted() bool { return false }

// judge adds the verdicts.
func (s *solver) judge() {}

func judgeForces(c *Case, a *Answer) {}
