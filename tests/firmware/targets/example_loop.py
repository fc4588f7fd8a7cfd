# A control loop around an exported controller: the seed-tray cart. `board` is yours: it reads your sensors and
# moves your motor and selector; see example_loop.c for what each function does.
import board
import lowgear


def main():
    board.drive(0)
    if not lowgear.self_test():
        return  # stay off: the table in memory is not the one that was exported
    encoder, battery, current, tilt, selector = board.read()
    if lowgear.check_standing(encoder, battery, current, tilt, 0, selector, board.duty_most()):
        return  # stay off: a sensor is dead or a reading in another unit
    controller = lowgear.Controller(0)  # wherever the selector stands: no drive before it has arrived
    duty = 0
    while board.go_on():
        on_time = lowgear.on_time(board.wait_for_tick())
        encoder, battery, current, tilt, selector = board.read()
        controller.tick(encoder, battery, current, tilt, duty, selector)
        drive = controller.drive
        if not on_time or board.stop_pressed() or board.reading_age() > 1:
            drive = 0  # the guard cannot know of these: whatever it allows, the motor is off
        duty = board.duty_asked() if drive else 0
        board.drive(duty)
        if controller.recalibrate:
            board.reference()
        else:
            board.selector(lowgear.angle_of(controller.order))
    board.drive(0)


main()
