// Package detective looks at a job whose runs do not agree with each other and
// names the slip of hand that explains them best.
//
// A job with a proof run holds more readings than unknowns: every run is
//
//	V_s = V0_s + sum_p A_sp w_p
//
// and the fit of V0 and A leaves a misfit chi2 with 2 S (R - P - 1) degrees of
// freedom (S sensors, R runs, P planes). If it is larger than chance allows (1 %),
// something was recorded that did not happen. For each usual slip the records are
// rewritten as they would read had that slip been made, and refitted. The
// likelihood of what is left, times how many ways there are to make the slip, is
// what the findings are ordered by; slips that fit equally well cannot be told
// apart, and are said together.
//
// The package only reads a balance.Case; it knows no machine and no clock.
package detective
