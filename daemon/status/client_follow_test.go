package status

import (
	"context"
	"errors"
	"io/fs"
	"testing"
)

// A daemon that goes between two events shows as a socket that is gone, a
// connection refused or cut: all of that is the end of following it.
func TestFollowing_judgesFailedQuestions(t *testing.T) {
	t.Parallel()
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	gone := &fs.PathError{Op: "dial", Path: "control.sock", Err: fs.ErrNotExist}
	for _, tt := range []struct {
		name string
		ctx  context.Context
		err  error
		want bool
	}{
		{"socket gone", t.Context(), gone, true},
		{"the daemon's own answer", t.Context(), &Problem{Status: 403, Title: "Forbidden"}, false},
		{"whoever follows has had enough", ended, context.Canceled, false},
	} {
		err := following(tt.ctx, tt.err)
		if got := errors.Is(err, ErrEnded); got != tt.want || !errors.Is(err, tt.err) {
			t.Errorf("%s: %v, ended %t, want %t", tt.name, err, got, tt.want)
		}
	}
}
