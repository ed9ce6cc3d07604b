#!/usr/bin/python3
"""An independent Modbus TCP client for the tests, on Debian's python3-pymodbus.

usage: modbus_reader.py PORT DEVICE < CALLS

CALLS is a JSON list of calls, each the name of a method of the client and its
arguments: [["read_input_registers", 11, 1], ["write_register", 0, 7]]. Prints a
JSON list with what each got: the registers or bits, {"exception": CODE}, or
{"error": TEXT}.
"""
import json
import sys

from pymodbus.client import ModbusTcpClient

client = ModbusTcpClient("127.0.0.1", port=int(sys.argv[1]), timeout=20)
if not client.connect():
    sys.exit("nobody listens")
out = []
for name, *arguments in json.load(sys.stdin):
    keys = arguments.pop() if arguments and isinstance(arguments[-1], dict) else {}
    got = getattr(client, name)(*arguments, **keys, slave=int(sys.argv[2]))
    if hasattr(got, "exception_code"):
        out.append({"exception": got.exception_code})
    elif got.isError():
        out.append({"error": str(got)})
    elif "read" in name and "registers" in name:
        out.append(got.registers)
    else:
        out.append([int(bit) for bit in got.bits[: arguments[1]]])
client.close()
print(json.dumps(out))
