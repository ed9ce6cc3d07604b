#!/usr/bin/python3
"""An independent Modbus TCP peer for the tests, on Debian's python3-pymodbus.

usage: modbus_peer.py IMAGE PORT

Serves the register image in the JSON file IMAGE on 127.0.0.1:PORT and reads
the file again whenever it changes, so that a test can let things happen:

    {"device": 1, "coils": {"0": 1}, "discrete_inputs": {}, "holding": {}, "input": {"0": 4000}}

Addresses are zero-based. What is not named answers exception 02.
"""
import asyncio
import json
import os
import sys

from pymodbus.datastore import ModbusServerContext, ModbusSlaveContext, ModbusSparseDataBlock
from pymodbus.server import StartAsyncTcpServer

TABLES = {"coils": "co", "discrete_inputs": "di", "holding": "hr", "input": "ir"}


def blocks(path):
    with open(path, encoding="utf-8") as file:
        image = json.load(file)
    found = {}
    for name, short in TABLES.items():
        values = {int(address): int(value) for address, value in image.get(name, {}).items()}
        found[short] = ModbusSparseDataBlock(values or {65535: 0})
    return image.get("device", 1), found


async def follow(path, store):
    seen = os.stat(path).st_mtime_ns
    while True:
        await asyncio.sleep(0.02)
        now = os.stat(path).st_mtime_ns
        if now == seen:
            continue
        try:
            _, fresh = blocks(path)
        except ValueError:
            continue  # caught in the middle of being written
        seen = now
        for short, block in fresh.items():
            store.store[{"co": "c", "di": "d", "hr": "h", "ir": "i"}[short]] = block


async def main(path, port):
    device, found = blocks(path)
    store = ModbusSlaveContext(**found, zero_mode=True)
    task = asyncio.create_task(follow(path, store))
    await StartAsyncTcpServer(
        context=ModbusServerContext(slaves={device: store}, single=False), address=("127.0.0.1", port)
    )
    await task


asyncio.run(main(sys.argv[1], int(sys.argv[2])))
