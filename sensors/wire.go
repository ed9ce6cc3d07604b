package sensors

import (
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strings"
	"time"

	"github.com/simonvetter/modbus"

	"strokebank/sensors/register"
)

// asker is what the owner of a link speaks through: one request, one answer of
// Count words, a bit being 0 or 1. One goroutine owns one.
type asker interface {
	ask(Request) ([]uint16, error)
	Close() error
}

// readOnly is everything that this room can say to a device through the
// client. The client behind it can do more; through this interface no function
// code but 1 to 4 exists.
type readOnly interface {
	SetUnitId(id uint8) error
	ReadCoils(address, quantity uint16) ([]bool, error)
	ReadDiscreteInputs(address, quantity uint16) ([]bool, error)
	ReadRegisters(address, quantity uint16, table modbus.RegType) ([]uint16, error)
	Close() error
}

// open connects to the link's device. It blocks for up to the dial timeout of
// 5 s. On a TCP connection a late answer dies with its socket; on a line it is
// the owner who sees to it that no late answer is taken for another.
func open(l Link, log *slog.Logger) (asker, error) {
	switch l.Via {
	case Serial:
		port, err := openPort(l.Address, l.Line)
		if err != nil {
			return nil, err
		}
		return newLine(l, port, log), nil
	case SerialOverTCP:
		conn, err := net.DialTimeout("tcp", l.Address, dialTimeout)
		if err != nil {
			return nil, err
		}
		return newLine(l, conn, log), nil
	default:
		return openTCP(l, log)
	}
}

// dialTimeout is that of the client, which cannot be changed.
const dialTimeout = 5 * time.Second

func openTCP(l Link, log *slog.Logger) (asker, error) {
	client, err := modbus.NewClient(&modbus.ClientConfiguration{
		URL:     "tcp://" + l.Address,
		Timeout: l.Timeout,
		Logger:  slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	})
	if err != nil {
		return nil, err
	}
	if err := client.Open(); err != nil {
		return nil, err
	}
	return tcpAsker{client}, nil
}

// tcpAsker asks over Modbus TCP. The unit identifier is part of the client's
// state.
type tcpAsker struct{ client readOnly }

func (a tcpAsker) Close() error { return a.client.Close() }

var errShort = errors.New("answer with fewer values than asked for")

func (a tcpAsker) ask(r Request) ([]uint16, error) {
	if err := a.client.SetUnitId(r.Device); err != nil {
		return nil, err
	}
	words, err := readTable(a.client, r)
	if err == nil && len(words) != int(r.Count) {
		return nil, errShort
	}
	return words, err
}

func readTable(c readOnly, r Request) ([]uint16, error) {
	switch r.Table {
	case register.Coils:
		bits, err := c.ReadCoils(r.Address, r.Count)
		return wordsOf(bits), err
	case register.DiscreteInputs:
		bits, err := c.ReadDiscreteInputs(r.Address, r.Count)
		return wordsOf(bits), err
	case register.HoldingRegisters:
		return c.ReadRegisters(r.Address, r.Count, modbus.HOLDING_REGISTER)
	default:
		return c.ReadRegisters(r.Address, r.Count, modbus.INPUT_REGISTER)
	}
}

func wordsOf(bits []bool) []uint16 {
	words := make([]uint16, len(bits))
	for i, on := range bits {
		if on {
			words[i] = 1
		}
	}
	return words
}

// fault is what an exchange failed of, and with it what has to follow.
type fault uint8

const (
	noFault     fault = iota
	timedOut          // no answer in time: reopen
	garbled           // an answer that cannot be one: reopen
	broken            // the connection is gone: reopen
	refused           // an exception: the device's word, the connection is sound
	notHere           // exception 1, 2 or 3: refused, and it will not change soon
	unreachable       // exception 10 or 11: the gateway speaks for a silent device
)

// The client has no type for an exception code that it does not know.
const unknownException = "unknown exception code"

func faultOf(err error) fault {
	var said modbus.Error
	switch {
	case err == nil:
		return noFault
	case errors.Is(err, errShort):
		return garbled
	case !errors.As(err, &said):
		if strings.HasPrefix(err.Error(), unknownException) {
			return refused
		}
		return broken
	}
	switch said {
	case modbus.ErrRequestTimedOut:
		return timedOut
	case modbus.ErrIllegalFunction, modbus.ErrIllegalDataAddress, modbus.ErrIllegalDataValue:
		return notHere
	case modbus.ErrServerDeviceFailure, modbus.ErrAcknowledge, modbus.ErrServerDeviceBusy, modbus.ErrMemoryParityError:
		return refused
	case modbus.ErrGWPathUnavailable, modbus.ErrGWTargetFailedToRespond:
		return unreachable
	default:
		return garbled
	}
}

// What can go wrong on a line, in the client's words, so that one faultOf
// judges all transports.
var (
	errNoAnswer error = modbus.ErrRequestTimedOut
	errGarbled  error = modbus.ErrProtocolError
	errChecksum error = modbus.ErrBadCRC
)

// exception is the error of an exception code: MODBUS Application Protocol
// V1.1b3, clause 7.
func exception(code byte) error {
	switch code {
	case 1:
		return modbus.ErrIllegalFunction
	case 2:
		return modbus.ErrIllegalDataAddress
	case 3:
		return modbus.ErrIllegalDataValue
	case 4:
		return modbus.ErrServerDeviceFailure
	case 5:
		return modbus.ErrAcknowledge
	case 6:
		return modbus.ErrServerDeviceBusy
	case 8:
		return modbus.ErrMemoryParityError
	case 10:
		return modbus.ErrGWPathUnavailable
	case 11:
		return modbus.ErrGWTargetFailedToRespond
	default:
		return fmt.Errorf("%s (%d)", unknownException, code)
	}
}

// splittable reports whether a smaller read may get an answer: exception 2
// (an address in it does not exist) or 3 (some devices answer fewer registers
// at a time than the standard allows).
func splittable(err error) bool {
	return errors.Is(err, modbus.ErrIllegalDataAddress) || errors.Is(err, modbus.ErrIllegalDataValue)
}

// place names what a read asks for as the site's lists count it.
func (l Link) place(r Request) string {
	first := int(r.Address)
	if l.OneBased {
		first++
	}
	if r.Count == 1 {
		return fmt.Sprintf("%s %d", r.Table, first)
	}
	return fmt.Sprintf("%ss %d to %d", r.Table, first, first+int(r.Count)-1)
}

// failure names link, device, address and cause.
func (l Link) failure(r Request, err error) error {
	return fmt.Errorf("link %s (%s): device %d: %s: %w", l.Name, l.Address, r.Device, l.place(r), err)
}
