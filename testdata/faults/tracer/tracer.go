//go:build linux && amd64

package tracer

import (
	"errors"
	"fmt"
	"runtime"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Do says what becomes of a call.
type Do struct {
	What  What
	Errno unix.Errno // of Fail and FailAfter
	Count int        // of Shorten, in bytes
}

// What can be done with a call. The zero value lets it through.
type What int

// Let and Show apply to calls that take place; Show has Handler.After called
// when it was carried out.
const (
	Let       What = iota
	Show           // carry it out and show its result
	Fail           // do not carry it out
	FailAfter      // carry it out, and say that it failed
	Shorten        // let it transfer fewer bytes
	Hold           // keep it waiting until Release
	Kill           // the program ends here, before the call
	KillAfter      // the program ends when the call was carried out
)

// Handler decides. Both are called on the tracer's own goroutine, one call at a
// time, while the thread that called stands still and others go on.
type Handler interface {
	Before(*Call) Do
	After(*Call) // after Show, FailAfter, Shorten and KillAfter
}

// Program is what to run. It must call Filter first of all.
type Program struct {
	Path  string
	Args  []string // with the name in front
	Env   []string
	Files []uintptr // standard input, output, error, and so on
	// Limit ends a program that does not end by itself.
	Limit time.Duration
}

// End says how a program came to its end.
type End struct {
	Killed   bool // by a Do of the handler
	TimedOut bool
	Status   int // exit status, or 128 and the signal's number
}

// Run runs a program under a handler until it ends.
func Run(p Program, h Handler) (End, error) { return New(h).Run(p) }

// Tracer runs one program once.
type Tracer struct {
	handler  Handler
	pid      int
	deciding map[int]*pending // by thread: between the two ends of a call
	held     map[int]bool
	release  bool // set on the tracer's goroutine, or through Wake
	end      End
	killing  bool

	mu    sync.Mutex
	wake  bool // guarded by mu; somebody else wants held calls to go on
	ended bool // guarded by mu; pid is nobody's any more
}

// pending is a call that is being carried out.
type pending struct {
	call *Call
	do   Do
}

// New makes a tracer.
func New(h Handler) *Tracer {
	return &Tracer{handler: h, deciding: map[int]*pending{}, held: map[int]bool{}}
}

// Release lets calls go on that are held. It is for the handler.
func (t *Tracer) Release() { t.release = true }

// WakeAfter lets calls go on that are held after a time at the latest. It is
// for the handler.
func (t *Tracer) WakeAfter(d time.Duration) {
	time.AfterFunc(d, func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if t.wake = true; !t.ended {
			// Any signal brings the tracer to look; this one means nothing to
			// a Go program.
			_ = unix.Kill(t.pid, unix.SIGURG)
		}
	})
}

// Run runs the program.
func (t *Tracer) Run(p Program) (End, error) {
	type result struct {
		end End
		err error
	}
	done := make(chan result)
	go func() {
		// The kernel takes the thread that started a program for its tracer.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		end, err := t.run(p)
		done <- result{end, err}
	}()
	r := <-done
	return r.end, r.err
}

const options = unix.PTRACE_O_TRACECLONE | unix.PTRACE_O_TRACEFORK | unix.PTRACE_O_TRACEVFORK | unix.PTRACE_O_TRACESECCOMP |
	unix.PTRACE_O_TRACESYSGOOD | unix.PTRACE_O_EXITKILL

func (t *Tracer) run(p Program) (End, error) {
	pid, err := syscall.ForkExec(p.Path, p.Args, &syscall.ProcAttr{Env: p.Env, Files: p.Files, Sys: &syscall.SysProcAttr{Ptrace: true, Setpgid: true}})
	if err != nil {
		return End{}, fmt.Errorf("start %s: %w", p.Path, err)
	}
	t.pid = pid
	var status unix.WaitStatus
	if _, err := unix.Wait4(pid, &status, unix.WALL, nil); err != nil {
		return End{}, fmt.Errorf("wait for %s: %w", p.Path, err)
	}
	if err := unix.PtraceSetOptions(pid, options); err != nil {
		return End{}, errors.Join(fmt.Errorf("trace %s: %w", p.Path, err), t.reap())
	}
	limit := time.AfterFunc(p.Limit, func() { t.kill(true) })
	defer limit.Stop()
	if err := unix.PtraceCont(pid, 0); err != nil {
		return End{}, errors.Join(fmt.Errorf("go on with %s: %w", p.Path, err), t.reap())
	}
	err = t.follow()
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.end, err
}

// kill ends the program at once.
func (t *Tracer) kill(late bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.ended {
		return
	}
	t.end.TimedOut = t.end.TimedOut || late
	_ = unix.Kill(t.pid, unix.SIGKILL) // it is ours and not reaped yet
}

// reap ends a program that cannot be traced.
func (t *Tracer) reap() error {
	t.kill(false)
	_, err := unix.Wait4(t.pid, nil, unix.WALL, nil)
	return err
}

// follow takes one stop after another until the program is gone.
func (t *Tracer) follow() error {
	for {
		var status unix.WaitStatus
		// Only this program, which is a process group of its own: others in this
		// process may wait for theirs.
		thread, err := unix.Wait4(-t.pid, &status, unix.WALL, nil)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return fmt.Errorf("wait for the program: %w", err)
		}
		if status.Exited() || status.Signaled() {
			delete(t.deciding, thread)
			delete(t.held, thread)
			if thread != t.pid {
				continue
			}
			t.mu.Lock()
			t.ended = true
			t.end.Killed, t.end.Status = t.killing, status.ExitStatus()
			if status.Signaled() {
				t.end.Status = 128 + int(status.Signal())
			}
			t.mu.Unlock()
			return nil
		}
		if err := t.stopped(thread, status); err != nil && !errors.Is(err, unix.ESRCH) { // killed meanwhile
			return err
		}
		t.letGo()
	}
}

// letGo resumes what is held, once somebody has said so.
func (t *Tracer) letGo() {
	t.mu.Lock()
	due := t.release || t.wake
	t.mu.Unlock()
	if !due {
		return
	}
	for thread := range t.held {
		delete(t.held, thread)
		_ = unix.PtraceSyscall(thread, 0) // it may have been killed
	}
}

func (t *Tracer) stopped(thread int, status unix.WaitStatus) error {
	switch signal := status.StopSignal(); {
	case signal == unix.SIGTRAP|0x80:
		return t.left(thread)
	case signal == unix.SIGTRAP && status.TrapCause() == unix.PTRACE_EVENT_SECCOMP:
		return t.entered(thread)
	case signal == unix.SIGTRAP && status.TrapCause() > 0:
		return unix.PtraceCont(thread, 0)
	case signal == unix.SIGSTOP:
		return unix.PtraceCont(thread, 0) // a new thread begins with it
	default:
		if t.deciding[thread] != nil {
			return unix.PtraceSyscall(thread, int(signal))
		}
		return unix.PtraceCont(thread, int(signal))
	}
}

// entered: a thread is about to have a call carried out.
func (t *Tracer) entered(thread int) error {
	var r unix.PtraceRegs
	if err := unix.PtraceGetRegs(thread, &r); err != nil {
		return err
	}
	call, ok := look(t.pid, thread, &r)
	if !ok || t.killing {
		return unix.PtraceCont(thread, 0)
	}
	do := t.handler.Before(call)
	switch do.What {
	case Let:
		return unix.PtraceCont(thread, 0)
	case Fail:
		// A number that no call has is skipped, with the result as it stands.
		r.Orig_rax, r.Rax = ^uint64(0), uint64(-int64(do.Errno))
		if err := unix.PtraceSetRegs(thread, &r); err != nil {
			return err
		}
		return unix.PtraceCont(thread, 0)
	case Kill:
		t.die()
		return nil
	case Shorten:
		setArg(&r, call.shape.count, uint64(do.Count))
		if err := unix.PtraceSetRegs(thread, &r); err != nil {
			return err
		}
	case Hold:
		t.deciding[thread] = &pending{call, do}
		t.held[thread] = true
		return nil
	}
	t.deciding[thread] = &pending{call, do}
	return unix.PtraceSyscall(thread, 0)
}

// left: a call was carried out.
func (t *Tracer) left(thread int) error {
	p := t.deciding[thread]
	delete(t.deciding, thread)
	if p == nil {
		return unix.PtraceCont(thread, 0)
	}
	var r unix.PtraceRegs
	if err := unix.PtraceGetRegs(thread, &r); err != nil {
		return err
	}
	p.call.Result = int64(r.Rax)
	t.handler.After(p.call)
	switch p.do.What {
	case KillAfter:
		t.die()
		return nil
	case FailAfter:
		r.Rax = uint64(-int64(p.do.Errno))
		if err := unix.PtraceSetRegs(thread, &r); err != nil {
			return err
		}
	case Shorten:
		setArg(&r, p.call.shape.count, uint64(p.call.Count)) // the program's own registers
		if err := unix.PtraceSetRegs(thread, &r); err != nil {
			return err
		}
	}
	return unix.PtraceCont(thread, 0)
}

func (t *Tracer) die() {
	t.killing = true
	t.kill(false)
}

func setArg(r *unix.PtraceRegs, i int, v uint64) {
	switch i {
	case 2:
		r.Rdx = v
	case 4:
		r.R8 = v
	}
}
