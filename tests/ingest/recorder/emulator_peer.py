"""Run as a script: the ELM327 emulator on a pseudo-terminal or a TCP port, until stdin closes."""

import logging
import sys
import time

from elm import Elm

# Answers as whole CAN frames: only those are joined into one by a request of several PIDs.
FRAMES = {
    "FUEL_STATUS": "41 03 02 00",
    "COOLANT_TEMP": "41 05 7B",
    "INTAKE_TEMP": "41 0F 44",
    "MAF": "41 10 05 1F",
    "BAROMETRIC_PRESSURE": "41 33 65",
    "RUN_TIME": "41 1F 01 2C",
    "CONTROL_MODULE_VOLTAGE": "41 42 36 B0",
    "INTAKE_PRESSURE": "41 0B 30",
    "ENGINE_LOAD": "41 04 80",
    "THROTTLE_POS": "41 11 40",
    "AMBIANT_AIR_TEMP": "41 46 3C",
    "CATALYST_TEMP_B1S1": "41 3C 10 00",
    "ACCELERATOR_POS_D": "41 49 30",
}


def main() -> None:
    logging.disable(logging.CRITICAL)
    port = int(sys.argv[1]) if len(sys.argv) > 1 else None
    emulator = Elm(batch_mode=True, net_port=port) if port else Elm(batch_mode=True)
    with emulator as session:
        while session.threadState == session.THREAD.STARTING:
            time.sleep(0.02)
        session.scenario = "car"
        session.answer["VIN"] = f"<pos_answer>01{' 31' * 17}</pos_answer>"  # no real vehicle's
        for name, data in FRAMES.items():
            size = f"{len(data.split()):02X}"
            session.answer[name] = f"<header>7E8</header><size>{size}</size><data>{data}</data>"
        print(port or session.get_pty(), flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
