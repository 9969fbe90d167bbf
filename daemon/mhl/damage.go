package mhl

import "fmt"

// DamageError says that a history can't be trusted, and why.
type DamageError struct {
	Path     string // what is damaged, relative to the root that was opened
	Sentence string // what is the matter, for a person
	Err      error  // the cause, may be nil
}

func (e *DamageError) Error() string {
	return fmt.Sprintf("history is damaged: %s: %s", e.Path, e.Sentence)
}

func (e *DamageError) Unwrap() error { return e.Err }

func damaged(path string, cause error, format string, args ...any) *DamageError {
	sentence := fmt.Sprintf(format, args...)
	if cause != nil {
		sentence += ": " + cause.Error()
	}
	return &DamageError{Path: path, Sentence: sentence, Err: cause}
}
