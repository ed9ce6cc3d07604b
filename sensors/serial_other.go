//go:build !linux

package sensors

import "errors"

func openPort(string, Line) (port, error) {
	return nil, errors.New("serial ports are served on Linux only")
}
