package testbed

// architecture is what guests of one kind differ in from others.
type architecture struct {
	debian  string   // as Debian calls it, and Go too
	kernel  string   // as Debian calls the kernel's flavour
	kernels []string // of all kernels of that architecture: they share one root
	qemu    string   // the program
	board   []string // its arguments: machine and processor
	append  string   // to the kernel's command line
	goEnv   []string // for what is built for the guest
	leds    int      // of the keyboards that come up
	wakes   bool     // a saved state serves; else each guest boots
}

// architectures are those that Options.Arch can name.
//
// The processor of the PC lacks, and the kernel spares, what costs nothing in hardware
// and is done step by step by an emulation: moving memory byte by byte, a fifth level of
// page tables, and what guards the kernel from itself. That is a fifth of a boot's work.
//
// The processors of arm64 are those of two generations of small boards: one of the least
// that Debian runs on, as the package promises, and one that can have pages of 16 KiB.
// The power button would be the first input device by turns with the keyboard, whose
// lights are named after that.
var architectures = map[string]architecture{
	"amd64": {
		debian: "amd64", kernel: "amd64", kernels: []string{"amd64"},
		qemu:   "qemu-system-x86_64",
		board:  []string{"-machine", "pc", "-cpu", "max,-erms,-smap,-smep,-la57"},
		append: "console=ttyS0 random.trust_cpu=on no_timer_check tsc=reliable",
		goEnv:  []string{"GOARCH=amd64", "GOAMD64=v1"},
		leds:   8, // the PC's keyboard and one on USB
		wakes:  true,
	},
	"arm64":     arm64("arm64", "cortex-a72"),
	"arm64-16k": arm64("arm64-16k", "cortex-a76"),
}

func arm64(kernel, processor string) architecture {
	return architecture{
		debian: "arm64", kernel: kernel, kernels: []string{"arm64", "arm64-16k"},
		qemu:   "qemu-system-aarch64",
		board:  []string{"-machine", "virt", "-cpu", processor},
		append: "console=ttyAMA0 kpti=off modprobe.blacklist=gpio_keys",
		goEnv:  []string{"GOARCH=arm64", "GOARM64=v8.0"},
		leds:   5, // a keyboard on USB
	}
}
