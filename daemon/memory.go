package daemon

import (
	"os"
	"runtime/debug"
)

// spareHeapPercent is how much the heap may grow above what is alive before the
// collector runs. Most of what is alive are the engine's buffers, which cost the
// collector nothing to pass over; the usual 100 would double them on a board
// that has little memory.
const spareHeapPercent = 10

// KeepSmall sets the process's collector for a small board, unless GOGC says
// otherwise. It is for programs to call, once, when they start.
func KeepSmall() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(spareHeapPercent)
	}
}
