package main

import (
	"context"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	sddaemon "github.com/coreos/go-systemd/v22/daemon"
	"github.com/spf13/cobra"

	"bothy/daemon"
	"bothy/daemon/health"
)

func runCommand(c console) *cobra.Command {
	var cfg daemon.Config
	cmd := command(&cobra.Command{
		Use:   "run [flags]",
		Short: "Run the daemon",
		Long: `Run watches for cards and drives and does what the policy says with them, until
it is told to stop. It runs as a systemd service (Type=notify, with watchdog) or
in a terminal. SIGHUP reads the policy again; a policy that is broken then is
reported and the last good one goes on. SIGTERM and SIGINT end it cleanly within
10 seconds; work that was under way resumes at the next start. When there is work
and no card and no drive has answered for half an hour, the watchdog is not fed any
more, and systemd ends it and starts it anew.

Mounting media needs root. The state folder holds the ledger, the run folder
mount points and the control socket; under systemd both come from the service.`,
		Example: `  sudo bothy run --policy ./policy.toml --state-dir ./state --run-dir ./run
  systemctl reload bothy      # read the policy again`,
	}, cobra.NoArgs, func(cmd *cobra.Command, _ []string) error {
		if cfg.SocketPath == "" {
			cfg.SocketPath = filepath.Join(cfg.RunDir, "control.sock")
		}
		return runDaemon(cmd.Context(), cfg, newLogger(c))
	})
	f := cmd.Flags()
	f.StringVar(&cfg.PolicyPath, "policy", "/etc/bothy/policy.toml", "the policy `FILE`")
	f.StringVar(&cfg.StateDir, "state-dir", serviceDir("STATE_DIRECTORY", "/var/lib/bothy"), "`DIR` for the ledger and the box's identity ($STATE_DIRECTORY)")
	f.StringVar(&cfg.RunDir, "run-dir", serviceDir("RUNTIME_DIRECTORY", "/run/bothy"), "`DIR` for mount points and the control socket ($RUNTIME_DIRECTORY)")
	f.StringVar(&cfg.Listen, "listen", "", "`HOST:PORT` of the page, instead of the policy's; 'off' for no page. A socket that the service manager passes goes before both addresses")
	f.StringVar(&cfg.SocketPath, "socket", "", "`PATH` of the control socket (default control.sock in the run folder)")
	f.StringVar(&cfg.LEDRoot, "led-root", "/sys/class/leds", "`DIR` where the lights are")
	if err := f.MarkHidden("led-root"); err != nil {
		panic(err) // the flag is defined one line above
	}
	return cmd
}

// runDaemon ties the daemon to the process: its log, its service manager, and
// the signal that asks for the policy to be read again.
func runDaemon(ctx context.Context, cfg daemon.Config, log *slog.Logger) error {
	cfg.Version = version()
	cfg.Log = log
	cfg.PageListener = passedSocket(log)
	if asks, ok := health.Find(); ok {
		cfg.Health = asks
	} else {
		log.Info("drives are not asked how they are: smartctl is not installed (package smartmontools)")
	}
	told := ""
	cfg.Notify = func(state string) {
		// A status line is told only when it changes: a manager that is slow to
		// read must not be flooded with what it knows, nor hold up the daemon.
		if strings.HasPrefix(state, "STATUS=") {
			if state == told {
				return
			}
			told = state
		}
		if _, err := sddaemon.SdNotify(false, state); err != nil {
			log.Warn("tell the service manager", "error", err)
		}
	}
	if interval, err := sddaemon.SdWatchdogEnabled(false); err != nil {
		log.Warn("read the watchdog interval", "error", err)
	} else {
		cfg.Watchdog = interval
	}
	// A journal that goes away must not take the daemon with it: without this, Go
	// ends a process that writes to a broken standard error, and a service manager
	// takes that end for a clean one.
	signal.Ignore(syscall.SIGPIPE)

	reload := make(chan struct{}, 1)
	cfg.Reload = reload

	hangups := make(chan os.Signal, 1)
	signal.Notify(hangups, syscall.SIGHUP)
	defer signal.Stop(hangups)
	ctx, cancel := context.WithCancel(ctx)
	var wg sync.WaitGroup
	wg.Go(func() { forwardHangups(ctx, hangups, reload) })
	defer wg.Wait()
	defer cancel()
	return daemon.Run(ctx, cfg)
}
