package state

import "sync"

// Publisher hands the newest State to whoever asks. Its zero value holds an
// empty State that says the box is starting.
type Publisher struct {
	mu      sync.Mutex
	current *State        // guarded by mu; never nil after first use
	changed chan struct{} // guarded by mu; closed when current is replaced
}

// Publish makes s the current State and numbers it. The caller must not touch
// s or anything it points to afterwards.
func (p *Publisher) Publish(s *State) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.initLocked()
	s.Sequence = p.current.Sequence + 1
	p.current = s
	close(p.changed)
	p.changed = make(chan struct{})
}

// Current returns the newest State and a channel that is closed as soon as a
// newer one is there.
func (p *Publisher) Current() (*State, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.initLocked()
	return p.current, p.changed
}

func (p *Publisher) initLocked() {
	if p.current == nil {
		p.current = &State{Phase: Starting}
	}
	if p.changed == nil {
		p.changed = make(chan struct{})
	}
}
