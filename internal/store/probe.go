package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// applicationID stands in the database's header and says whose it is: "cpoz".
const applicationID = 0x63706f7a

// probe looks at a file without changing it: it returns the schema version (0 =
// new), or why the file must not be used.
func probe(path string) (version int, err error) {
	if info, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	} else if err == nil && !info.Mode().IsRegular() {
		return 0, fmt.Errorf("%s is no file, so no job database can be there: name another place", path)
	}
	db, err := connect(path, looking, 1)
	if err != nil {
		return 0, err
	}
	defer db.Close()
	cannot := "the job database cannot be used"
	var owner, things int
	if err := db.QueryRow("PRAGMA application_id").Scan(&owner); err != nil {
		return 0, fault(path, cannot, err)
	}
	if err := db.QueryRow("PRAGMA user_version").Scan(&version); err != nil {
		return 0, fault(path, cannot, err)
	}
	if err := db.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&things); err != nil {
		return 0, fault(path, cannot, err)
	}
	switch {
	case owner != applicationID && (owner != 0 || version != 0 || things > 0):
		return 0, fmt.Errorf("%s is a database of another program and was left as it is: name another file for the jobs", path)
	case version > len(migrations):
		return 0, fmt.Errorf("the job database %s was written by a later version of counterpoise (schema %d, this one reads up to %d) and was left as it is: use that version", path, version, len(migrations))
	case things == 0:
		return 0, nil
	}
	rows, err := db.Query("PRAGMA quick_check(1)")
	if err != nil {
		return 0, fault(path, cannot, err)
	}
	defer rows.Close()
	for rows.Next() {
		var word string
		if err := rows.Scan(&word); err != nil {
			return 0, fault(path, cannot, err)
		}
		if word != "ok" {
			return 0, damaged(path, cannot, fmt.Errorf("%s", word))
		}
	}
	return version, fault(path, cannot, rows.Err())
}
