package surveyfile

import (
	"strings"
	"testing"
)

// What editors put before a text is read over, or named by what is to be done.
func TestTextsFromEditors(t *testing.T) {
	const plain = `{"blades": 3, "track_mm": [0, 1, 2]}`
	if f, err := Parse([]byte("\xef\xbb\xbf" + plain)); err != nil || f == nil {
		t.Error(err)
	}
	if _, err := Parse([]byte("\xff\xfe" + strings.Join(strings.Split(plain, ""), "\x00"))); err == nil || !strings.Contains(err.Error(), "save it as UTF-8") {
		t.Error(err)
	}
}
