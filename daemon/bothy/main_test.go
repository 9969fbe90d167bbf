package main

import (
	"flag"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

var update = flag.Bool("update", false, "renew man pages and the golden parts of stories")

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"bothy": main})
}

func TestStories(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir:                 "testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(env *testscript.Env) error {
			env.Values[managerKey{}] = &manager{}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"manager":       cmdManager,
			"flip":          cmdFlip,
			"seal":          cmdSeal,
			"invent":        cmdInvent,
			"json":          cmdJSON,
			"expand":        cmdExpand,
			"signal":        cmdSignal,
			"await-status":  cmdAwaitStatus,
			"invent-copy":   cmdInventCopy,
			"invent-ledger": cmdInventLedger,
		},
	})
}
