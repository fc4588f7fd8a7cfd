# Records given readings in a small Python, each byte as two hexadecimal digits. Lines of the file: `start,gear`, or a
# reading with the lap and the policy that stand in its frame.
import sys

import lowgear
import lowgear_recorder


def put(buffer):
    for byte in buffer:
        sys.stdout.write("%02x" % byte)
    sys.stdout.write("\n")


def main():
    controller = recorder = None
    with open(sys.argv[1]) as lines:
        for line in lines:
            words = line.strip().split(",")
            if words[0] == "start":
                controller = lowgear.Controller(int(words[1]))
                recorder = lowgear_recorder.Recorder(put)
                continue
            recorder.lap, recorder.policy = int(words[0]), int(words[1])
            readings = [int(word) for word in words[2:]]
            controller.tick(*readings)
            recorder.record(controller, *readings)


main()
