package store

import (
	"context"
	"fmt"
)

// Check reads everything that is kept and returns one sentence for each thing
// that is not as it was saved; none = all is well.
func (s *Store) Check(ctx context.Context) (wrong []string, err error) {
	cannot := "the job database could not be checked"
	for _, q := range []string{"PRAGMA integrity_check(20)", "SELECT 'a row of ' || \"table\" || ' belongs to no job' FROM pragma_foreign_key_check"} {
		words, err := texts(ctx, s.r, q)
		if err != nil {
			return nil, fault(s.path, cannot, err)
		}
		for _, w := range words {
			if w != "ok" {
				wrong = append(wrong, damaged(s.path, "the database is not whole", fmt.Errorf("%s", w)).Error())
			}
		}
	}
	ids, err := texts(ctx, s.r, "SELECT id FROM jobs ORDER BY rowid")
	if err != nil {
		return nil, fault(s.path, cannot, err)
	}
	for _, id := range ids {
		if _, err := s.Events(ctx, id); err != nil {
			wrong = append(wrong, err.Error())
		}
		files, err := s.Files(ctx, id)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if err := s.checkFile(ctx, id, f); err != nil {
				wrong = append(wrong, err.Error())
			}
		}
	}
	return wrong, ctx.Err()
}

func (s *Store) checkFile(ctx context.Context, id string, f File) error {
	content, _, err := s.OpenFile(ctx, id, f.Name)
	if err != nil {
		return err
	}
	defer content.Close()
	return f.compare(content)
}
