// Package notices carries the licence of the project and those of every module
// that is linked into the binary, so that one file in the field can answer for
// itself. The text is generated: go generate ./internal/notices.
package notices

import _ "embed"

//go:generate go run ./gather

// ThirdParty is the licence text of every linked module.
//
//go:embed third-party.txt
var ThirdParty string
