package conf

import (
	"fmt"
	"strings"
)

// CheckArgs refuses arguments of a command that are empty or blank, such as
// those of a script whose variable is not set. A reader of flags takes them for
// flags that were not given, so that "--at=" would write what happens now.
func CheckArgs(args []string) error {
	for i, a := range args {
		flag, value, joined := strings.Cut(a, "=")
		switch {
		case a == "--":
			// What follows is no flag, but as empty as before it.
		case joined && strings.HasPrefix(flag, "-") && strings.TrimSpace(value) == "":
			return fmt.Errorf("%s: found nothing behind =, expected a value; give one, or leave %s out", flag, flag)
		case strings.TrimSpace(a) != "":
		case i > 0 && strings.HasPrefix(args[i-1], "-") && !strings.Contains(args[i-1], "="):
			return fmt.Errorf("%s: found an empty word behind it, expected a value; give one, or leave %s out", args[i-1], args[i-1])
		default:
			return fmt.Errorf("argument %d is an empty word, expected a name or a value; give one, or leave it out", i+1)
		}
	}
	return nil
}

// ArgWords are the words of the reader of flags, where it names the end of the
// line by its own sign.
func ArgWords(err error) string {
	return strings.ReplaceAll(err.Error(), `"EOL" (<EOL>)`, "nothing")
}
