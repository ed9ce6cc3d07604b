#!/usr/bin/python3
"""An independent Modbus RTU peer for the tests, on Debian's python3-pymodbus.

usage: serial_peer.py PORT BAUD DEVICE...

Serves every DEVICE on the serial port PORT. Each holds 200 holding and 200
input registers, of the value 100 * device + address and 1000 more, and 200
coils and discrete inputs, every third of which is on. It prints a line once
it listens.
"""
import asyncio
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.framer.rtu_framer import ModbusRtuFramer
from pymodbus.server.async_io import ModbusSerialServer


def holding(device):
    return ModbusSequentialDataBlock(0, [100 * device + address for address in range(200)])


def slave(device):
    bits = [int(address % 3 == 0) for address in range(200)]
    return ModbusSlaveContext(
        hr=holding(device),
        ir=ModbusSequentialDataBlock(0, [1000 + 100 * device + address for address in range(200)]),
        co=ModbusSequentialDataBlock(0, bits),
        di=ModbusSequentialDataBlock(0, bits),
        zero_mode=True,
    )


async def main(port, baud, devices):
    context = ModbusServerContext(slaves={device: slave(device) for device in devices}, single=False)
    server = ModbusSerialServer(context, framer=ModbusRtuFramer, port=port, baudrate=baud, ignore_missing_slaves=True)
    await server.start()
    print("listening", flush=True)
    await server.serve_forever()


asyncio.run(main(sys.argv[1], int(sys.argv[2]), [int(device) for device in sys.argv[3:]]))
