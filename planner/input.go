package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// readInput reads a whole file of at most most bytes; "-" is standard input.
// tooLarge says what to do with a larger one. The name is for what is told of it.
func (s *session) readInput(file string, most int, tooLarge string) (name string, raw []byte, err error) {
	in := s.in
	name = "standard input"
	if file != "-" {
		name = file
		f, err := os.Open(file)
		if err != nil {
			return "", nil, unreadable(name, err)
		}
		defer f.Close()
		if about, err := f.Stat(); err == nil && about.IsDir() {
			return "", nil, usage("%s is a folder, expected a file; name the file in it", name)
		}
		in = f
	}
	raw, err = io.ReadAll(io.LimitReader(in, int64(most)+1))
	if err != nil {
		return "", nil, unreadable(name, err)
	}
	if len(raw) > most {
		return "", nil, usage("%s is larger than %d bytes; %s", name, most, tooLarge)
	}
	return name, raw, nil
}

// unreadable says what to do about a file that cannot be read.
func unreadable(name string, err error) error {
	var why *fs.PathError
	if errors.As(err, &why) {
		err = why.Err // the name stands in front
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return &exitError{exitNotFound, fmt.Errorf("%s: %w; name an existing file, or - for standard input", name, err)}
	case errors.Is(err, fs.ErrPermission):
		return usage("%s: %w; give yourself the right to read it", name, err)
	}
	return &exitError{exitFailed, fmt.Errorf("read %s: %w; copy it to a disk that can be read", name, err)}
}
