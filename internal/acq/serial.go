package acq

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"go.bug.st/serial"
)

// defaultBaud is exact at the usual 16 MHz crystal; a board on USB ignores it.
const defaultBaud = 500000

// serialPort is a serial port opened by go.bug.st/serial 1.8.0, with its traps
// closed:
//   - its Read returns 0, nil after the time-out, which is what port wants;
//   - a vanished far end and our own Close give the same error: the caller asks
//     its context which it was, and only the reading goroutine closes;
//   - it waits with select(2), which cannot hold a descriptor of 1024 or more
//     and panics: that becomes an error;
//   - its Write can wait for ever and outlives Close: we write on the lock's own
//     descriptor, which does not wait (see serial_unix.go);
//   - as root a second opening succeeds: the lock refuses it.
type serialPort struct {
	serial.Port
	lock *portLock
}

func dialSerial(path string, baud int) dialer {
	return func(context.Context) (port, error) {
		lock, err := lockPort(path)
		if err != nil {
			return nil, err
		}
		// no initial modem lines: a pseudo-terminal has none and fails with ENOTTY
		p, err := serial.Open(path, &serial.Mode{BaudRate: baud})
		if err == nil {
			err = p.SetReadTimeout(pause)
		}
		if err != nil {
			lock.close()
			return nil, serialError(path, baud, err)
		}
		return &serialPort{p, lock}, nil
	}
}

func (p *serialPort) Read(b []byte) (n int, err error) {
	defer func() {
		if r := recover(); r != nil {
			n, err = 0, fmt.Errorf("the port cannot be waited for, as too many files and connections are open (%v); close some pages or restart counterpoise", r)
		}
	}()
	return p.Port.Read(b)
}

func (p *serialPort) Write(b []byte) (int, error) { return p.lock.write(p.Port, b) }

func (p *serialPort) Close() error { return errors.Join(p.Port.Close(), p.lock.close()) }

// serialError is one sentence: what happened, what it means, what to do.
func serialError(path string, baud int, err error) error {
	code := serial.PortErrorCode(-1)
	if e, ok := errors.AsType[*serial.PortError](err); ok {
		code = e.Code()
	}
	switch {
	case code == serial.PortBusy:
		return busy(path)
	case code == serial.PermissionDenied || errors.Is(err, fs.ErrPermission):
		return forbidden(path)
	case code == serial.PortNotFound || errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no port %s, so nothing can be measured: plug the board in, or choose one that counterpoise ports lists", path)
	case code == serial.InvalidSpeed:
		return fmt.Errorf("port %s cannot be set to %d baud: use the speed of the board's firmware, for instance baud=%d", path, baud, defaultBaud)
	case code == serial.InvalidSerialPort:
		return fmt.Errorf("%s is not a serial port (%w): choose one that counterpoise ports lists", path, err)
	}
	return fmt.Errorf("port %s cannot be opened (%w): unplug the board, plug it in again and choose a port that counterpoise ports lists", path, err)
}

func busy(path string) error {
	return fmt.Errorf("port %s is in use by another program, and two readers would each get half of the bytes: close the other one (another counterpoise, a serial monitor) and try again", path)
}
