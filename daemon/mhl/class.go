package mhl

// classes are the named classes of POSIX bracket expressions, for bytes in the
// C locale.
var classes = map[string]func(byte) bool{
	"alnum":  func(c byte) bool { return isAlpha(c) || isDigit(c) },
	"alpha":  isAlpha,
	"blank":  func(c byte) bool { return c == ' ' || c == '\t' },
	"cntrl":  func(c byte) bool { return c < 0x20 || c == 0x7f },
	"digit":  isDigit,
	"graph":  isGraph,
	"lower":  isLower,
	"print":  func(c byte) bool { return c == ' ' || isGraph(c) },
	"punct":  func(c byte) bool { return isGraph(c) && !isAlpha(c) && !isDigit(c) },
	"space":  func(c byte) bool { return c == ' ' || (c >= '\t' && c <= '\r') },
	"upper":  isUpper,
	"xdigit": func(c byte) bool { return isDigit(c) || (c|0x20 >= 'a' && c|0x20 <= 'f') },
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
func isLower(c byte) bool { return c >= 'a' && c <= 'z' }
func isUpper(c byte) bool { return c >= 'A' && c <= 'Z' }
func isAlpha(c byte) bool { return isLower(c) || isUpper(c) }
func isGraph(c byte) bool { return c > 0x20 && c < 0x7f }
