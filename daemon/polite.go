package daemon

import "bothy/daemon/offload"

// politeFS is a card that is read only while nobody waits for the drives: the
// card is released already, and what is copied is for a drive that came late.
type politeFS struct {
	offload.FS
	yield func() error
}

func (f politeFS) Open(name string) (offload.Source, error) {
	if err := f.yield(); err != nil {
		return nil, err
	}
	src, err := f.FS.Open(name)
	if err != nil {
		return nil, err
	}
	return politeSource{src, f.yield}, nil
}

type politeSource struct {
	offload.Source
	yield func() error
}

func (s politeSource) ReadAt(p []byte, at int64) (int, error) {
	if err := s.yield(); err != nil {
		return 0, err
	}
	return s.Source.ReadAt(p, at)
}
