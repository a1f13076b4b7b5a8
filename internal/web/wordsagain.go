package web

import "maps"

// The texts of a virtual fan that is taken up again.
func init() { maps.Copy(words, againWords) }

var againWords = map[string]string{
	"job.reopen.turning": "The virtual fan turns without the weights of this job: switch it off on its live page, wait until it stands, then open the job again.",
}
