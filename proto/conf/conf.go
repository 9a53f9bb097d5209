// Package conf reads the configuration files of agent and server: strict YAML
// over defaults, overridden by the environment, every value with its origin.
// It knows nothing of what the values mean; each program validates its own.
package conf

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
)

// MaxFileBytes bounds a configuration file.
const MaxFileBytes = 1 << 20

// EnvPrefix begins the name of every environment variable that overrides a
// key: TURNWISE_LISTEN__GRPC overrides listen.grpc.
const EnvPrefix = "TURNWISE_"

// ErrConfig is inside every error of [Load].
var ErrConfig = errors.New("configuration")

// Origin tells where a value comes from.
type Origin struct {
	Key   string // "listen.grpc", "machines[0].id"
	Value string
	From  string // "default", "FILE:LINE" or "environment TURNWISE_…"
}

// Origins are the values of a configuration in the order of the keys.
type Origins []Origin

// Load reads a YAML file over the defaults already set in *into, expands
// ${NAME} in its scalars from environ, and applies overrides of the form
// TURNWISE_A__B=value (a double underscore goes one level down, digits index
// a list). An empty file name means: no file. Unknown keys are errors that
// name file, line, what was found and what was expected.
//
// environ is in the form of [os.Environ].
func Load(file string, environ []string, into any) (Origins, error) {
	rv := reflect.ValueOf(into)
	if rv.Kind() != reflect.Pointer || rv.Elem().Kind() != reflect.Struct {
		return nil, fmt.Errorf("%w: Load needs a pointer to a struct, found %T", ErrConfig, into)
	}
	env := envMap(environ)
	lines := map[string]string{}
	if file != "" {
		if err := loadFile(file, env, into, lines); err != nil {
			return nil, err
		}
	}
	if err := applyEnv(env, rv.Elem(), lines); err != nil {
		return nil, err
	}
	var out Origins
	walk(rv.Elem(), "", func(key string, v reflect.Value) {
		from, ok := lines[key]
		if !ok {
			from = "default"
		}
		out = append(out, Origin{Key: key, Value: render(v), From: from})
	})
	return out, nil
}

func loadFile(file string, env map[string]string, into any, lines map[string]string) error {
	data, err := readBounded(file)
	if err != nil {
		return err
	}
	tree, err := parser.ParseBytes(data, 0)
	if err != nil {
		return fmt.Errorf("%w: %s is not YAML: %s", ErrConfig, file, Located(file, err))
	}
	if len(tree.Docs) > 1 {
		return fmt.Errorf("%w: %s holds %d documents, one is expected; remove the lines that begin with ---", ErrConfig, file, len(tree.Docs))
	}
	if len(tree.Docs) == 0 || tree.Docs[0].Body == nil {
		return nil
	}
	body := tree.Docs[0].Body
	if err := expand(file, body, env); err != nil {
		return err
	}
	if err := yaml.NodeToValue(body, into, yaml.Strict()); err != nil {
		if fault := faultIn(file, reflect.TypeOf(into), "", body); fault != "" {
			return fmt.Errorf("%w: %s", ErrConfig, fault)
		}
		return fmt.Errorf("%w: %s", ErrConfig, Located(file, err))
	}
	note(file, "", body, lines)
	return nil
}

func readBounded(file string) ([]byte, error) {
	f, err := os.Open(file)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("%w: %s: %w; give the user of this program the right to read it", ErrConfig, file, reason(err))
	case err != nil:
		return nil, fmt.Errorf("%w: %s: %w; name an existing file with -c", ErrConfig, file, reason(err))
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil && st.IsDir() {
		return nil, fmt.Errorf("%w: %s is a folder, a YAML file is expected; name the file in it with -c", ErrConfig, file)
	}
	data, err := io.ReadAll(io.LimitReader(f, MaxFileBytes+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: read %s: %w; copy it to a disk that can be read", ErrConfig, file, reason(err))
	case len(data) > MaxFileBytes:
		return nil, fmt.Errorf("%w: %s has more than %d bytes, at most so many are read; name a configuration with -c", ErrConfig, file, MaxFileBytes)
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	if err := CheckText(file, data); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrConfig, err)
	}
	return data, nil
}

var reference = regexp.MustCompile(`\$\{([A-Za-z_][A-Za-z0-9_]*)\}`)

// expand replaces ${NAME} in every string of the tree.
func expand(file string, n ast.Node, env map[string]string) error {
	var errs []error
	ast.Walk(visitor(func(n ast.Node) {
		s, ok := n.(*ast.StringNode)
		if !ok {
			return
		}
		s.Value = reference.ReplaceAllStringFunc(s.Value, func(ref string) string {
			name := ref[2 : len(ref)-1]
			v, ok := env[name]
			if !ok {
				errs = append(errs, fmt.Errorf("%w: %s:%d: ${%s} is not set in the environment; set it or write the value here", ErrConfig, file, s.GetToken().Position.Line, name))
			}
			return v
		})
	}), n)
	return errors.Join(errs...)
}

type visitor func(ast.Node)

func (v visitor) Visit(n ast.Node) ast.Visitor { v(n); return v }

// note remembers the line of every scalar.
func note(file, path string, n ast.Node, lines map[string]string) {
	switch n := n.(type) {
	case *ast.MappingNode:
		for _, v := range n.Values {
			note(file, path, v, lines)
		}
	case *ast.MappingValueNode:
		note(file, join(path, n.Key.String()), n.Value, lines)
	case *ast.SequenceNode:
		for i, v := range n.Values {
			note(file, fmt.Sprintf("%s[%d]", path, i), v, lines)
		}
	default:
		if n != nil && n.GetToken() != nil {
			lines[path] = fmt.Sprintf("%s:%d", file, n.GetToken().Position.Line)
		}
	}
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func envMap(environ []string) map[string]string {
	m := make(map[string]string, len(environ))
	for _, kv := range environ {
		if k, v, ok := strings.Cut(kv, "="); ok {
			m[k] = v
		}
	}
	return m
}

// notKeys are variables with our prefix that are no configuration keys.
var notKeys = []string{"TURNWISE_SERVER", "TURNWISE_SHOTS"}

// applyEnv sets every TURNWISE_A__B into the field a.b.
func applyEnv(env map[string]string, into reflect.Value, lines map[string]string) error {
	var names []string
	for name := range env {
		if strings.HasPrefix(name, EnvPrefix) && !slices.Contains(notKeys, name) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	var errs []error
	for _, name := range names {
		path := strings.Split(strings.ToLower(strings.TrimPrefix(name, EnvPrefix)), "__")
		key, v, ok := find(into, path)
		if !ok {
			errs = append(errs, fmt.Errorf("%w: environment variable %s names the key %s, which does not exist; unset it or correct it", ErrConfig, name, strings.Join(path, ".")))
			continue
		}
		if err := set(v, env[name]); err != nil {
			errs = append(errs, fmt.Errorf("%w: environment variable %s: found %q for %s: %w", ErrConfig, name, env[name], key, err))
			continue
		}
		for k := range lines {
			if k == key || strings.HasPrefix(k, key+".") || strings.HasPrefix(k, key+"[") {
				delete(lines, k)
			}
		}
		walk(v, key, func(k string, _ reflect.Value) { lines[k] = "environment " + name })
	}
	return errors.Join(errs...)
}

func set(v reflect.Value, text string) error {
	if v.Kind() == reflect.String {
		v.SetString(text)
		return nil
	}
	p := reflect.New(v.Type())
	if err := yaml.UnmarshalWithOptions([]byte(text), p.Interface(), yaml.Strict()); err != nil {
		if ye, ok := errors.AsType[yaml.Error](err); ok {
			return errors.New(ye.GetMessage())
		}
		return err
	}
	v.Set(p.Elem())
	return nil
}
