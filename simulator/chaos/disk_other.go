//go:build !linux

package chaos

import "errors"

var errLinux = errors.New("can be made on Linux only")

type disk struct{ image string }

func newDisk(string, string, int64) (d *disk, noPower, err error) { return nil, errLinux, errLinux }

func (*disk) cutPower() error { return errLinux }

func (*disk) close() error { return nil }

func limitFiles(int) (func() error, error) { return nil, errLinux }
