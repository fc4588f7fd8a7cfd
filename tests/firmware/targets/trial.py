# Drives given readings through both controllers of a trial in a small Python, policy 1 wanted throughout, and prints the
# recording, each byte as two hexadecimal digits. Lines of the file: whether it is a new start, the lap, a reading.
import sys

import lowgear_trial


def put(buffer):
    for byte in buffer:
        sys.stdout.write("%02x" % byte)
    sys.stdout.write("\n")


def main():
    trial = None
    assert lowgear_trial.self_test()
    with open(sys.argv[1]) as lines:
        for line in lines:
            words = [int(word) for word in line.strip().split(",")]
            if words[0]:
                trial = lowgear_trial.Trial(put, 1)
            trial.tick(1, words[1], *words[2:])


main()
