package main

import (
	"context"
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"

	"counterpoise/internal/notices"
)

// release is raised with every entry of CHANGELOG.md.
const release = "0.1.0"

var versionCommand = command{"version", "[--json]", "which build this is", runVersion}

func runVersion(_ context.Context, e env, args []string) error {
	o := newOptions("version", e)
	asJSON := o.Bool("json", false, "print JSON")
	if _, err := o.parse(args); err != nil {
		return err
	}
	revision := "unknown"
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				revision = s.Value
			}
		}
	}
	if *asJSON {
		return json.NewEncoder(e.stdout).Encode(map[string]any{
			"schema": 1, "version": release, "revision": revision, "go": runtime.Version(),
			"system": runtime.GOOS + "/" + runtime.GOARCH,
		})
	}
	_, err := fmt.Fprintf(e.stdout, "counterpoise %s (%s), %s, %s/%s\n", release, revision, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

var licencesCommand = command{"licences", "", "the licence, and those of the libraries inside", runLicences}

func runLicences(_ context.Context, e env, _ []string) error {
	_, err := fmt.Fprintf(e.stdout, "counterpoise is licensed under the Apache License, Version 2.0 (https://www.apache.org/licenses/LICENSE-2.0).\n"+
		"It contains the following works of others.\n\n%s", notices.ThirdParty)
	return err
}
