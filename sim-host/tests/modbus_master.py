"""An independent Modbus master against a simulated board: `python3 modbus_master.py PORT`.

Prints what it finds wrong and exits with 1; pymodbus (BSD licence) speaks the protocol.
"""

import sys

from pymodbus.client import ModbusSerialClient

DEVICE = 1


def main(port):
    client = ModbusSerialClient(port, baudrate=115200, bytesize=8, parity="N", stopbits=1, timeout=3)
    assert client.connect(), "the port opens"

    def inputs(address, count):
        answer = client.read_input_registers(address, count=count, device_id=DEVICE)
        assert not answer.isError(), answer
        return answer.registers

    def long(words):
        return words[0] << 16 | words[1]

    # The plant: version of the map, two tanks, a clock that is set, water that was metered.
    plant = inputs(0, 28)
    assert plant[0:2] == [1, 2], plant
    assert long(plant[6:8]) > 850_000_000, plant
    assert long(plant[12:14]) > 1_000, plant
    # Two tanks: one serves in its service position, and names are numbered from 1.
    tanks = [inputs(100 + 40 * tank, 26) for tank in (0, 1)]
    assert sorted(tank[0] for tank in tanks) == [1, 2], tanks
    assert all(tank[4] == 0 for tank in tanks), tanks
    # Discrete inputs, holding registers, coils.
    discrete = client.read_discrete_inputs(32, count=26, device_id=DEVICE)
    assert not discrete.isError() and len(discrete.bits) >= 26, discrete
    assert client.read_holding_registers(0, count=6, device_id=DEVICE).registers == [0] * 6
    assert client.read_coils(2, count=1, device_id=DEVICE).bits[0] is False
    # What is not there.
    for answer in (
        client.read_input_registers(99, count=1, device_id=DEVICE),
        client.read_coils(200, count=1, device_id=DEVICE),
        client.read_input_registers(180, count=1, device_id=DEVICE),
    ):
        assert answer.isError() and answer.exception_code == 2, answer

    # Nothing is written without its ticket, and each ticket serves once.
    answer = client.write_coil(2, True, device_id=DEVICE)
    assert answer.isError() and answer.exception_code == 3, answer
    ticket = inputs(2, 2)
    assert not client.write_registers(0, ticket, device_id=DEVICE).isError()
    assert not client.write_coil(2, True, device_id=DEVICE).isError()
    assert client.read_coils(2, count=1, device_id=DEVICE).bits[0] is True
    assert client.write_coil(2, False, device_id=DEVICE).exception_code == 3
    assert client.write_registers(0, ticket, device_id=DEVICE).exception_code == 3
    ticket = inputs(2, 2)
    assert not client.write_registers(0, ticket, device_id=DEVICE).isError()
    assert not client.write_coils(2, [False], device_id=DEVICE).isError()
    assert client.read_coils(2, count=1, device_id=DEVICE).bits[0] is False
    # The logic refuses: nothing was asked of tank 1 that could be withdrawn.
    assert not client.write_registers(0, inputs(2, 2), device_id=DEVICE).isError()
    assert client.write_coil(0, False, device_id=DEVICE).exception_code == 7
    # The clock: 2027-06-01 12:00.
    noon = 865_166_400
    assert not client.write_registers(0, inputs(2, 2), device_id=DEVICE).isError()
    assert not client.write_registers(4, [noon >> 16, noon & 0xFFFF], device_id=DEVICE).isError()
    assert 0 <= long(inputs(6, 2)) - noon < 60
    client.close()


if __name__ == "__main__":
    main(sys.argv[1])
