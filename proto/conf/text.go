package conf

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
)

// CheckText refuses what is no text, of which a parser would print the bytes.
// name is what the file is called in the error.
func CheckText(name string, raw []byte) error {
	line := 1
	for rest := raw; len(rest) > 0; {
		r, n := utf8.DecodeRune(rest)
		switch {
		case r == utf8.RuneError && n == 1:
			return fmt.Errorf("%s:%d: found bytes that are no UTF-8, expected text in YAML; save it as UTF-8, or name another file", name, line)
		case unicode.IsControl(r) && !bytes.ContainsRune([]byte("\t\n\r"), r):
			return fmt.Errorf("%s:%d: found the control character %U, expected text in YAML; take it out, or name another file", name, line, r)
		case r == '\n':
			line++
		}
		rest = rest[n:]
	}
	return nil
}

// Located puts file, line and column before the words of the YAML library, and
// what to look at behind them.
func Located(name string, err error) string {
	const look = "; look there and in the line above for a bracket or quote that is not closed, a missing colon, or an indent that differs"
	e, ok := errors.AsType[yaml.Error](err)
	switch {
	case !ok:
		return name + ": " + err.Error() + look
	case e.GetToken() == nil || e.GetToken().Position == nil:
		return name + ": " + e.GetMessage() + look
	}
	at := e.GetToken().Position
	return fmt.Sprintf("%s:%d:%d: %s%s", name, at.Line, at.Column, e.GetMessage(), look)
}

// reason is why a file cannot be read, without its name.
func reason(err error) error {
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		return p.Err
	}
	return err
}

// printable is a value as a terminal may be given it.
func printable(value string) string {
	if strings.ContainsFunc(value, func(r rune) bool { return r == utf8.RuneError || !unicode.IsPrint(r) }) {
		return strconv.Quote(value)
	}
	return value
}
