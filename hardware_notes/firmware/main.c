/* The lift's controller: an ATmega328P at 16 MHz, wires to the motor drivers and the switches,
 * three analogue inputs, USB serial. It speaks ../lift_protocol.md. */
#include "clock.h"
#include "commands.h"
#include "current.h"
#include "lift.h"
#include "motion.h"
#include "report.h"
#include "serial.h"
#include "telemetry.h"
#include "turner.h"
#include "frames.h"
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

static uint16_t EEMEM boots_ever;

static uint16_t count_boot(void) {
    uint16_t boots = eeprom_read_word(&boots_ever) + 1;
    eeprom_update_word(&boots_ever, boots);
    return boots;
}

int main(void) {
    uint8_t cause = MCUSR; /* a boot loader may have cleared it: for information only */
    MCUSR = 0;
    wdt_disable();
    motion_init();
    turner_init();
    current_init();
    serial_init();
    clock_init();
    telemetry_init();
    uint16_t boots = count_boot();
    commands_init(boots, cause);
    wdt_enable(WDTO_500MS);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sei();
    motion_power(1);
    report_begin(PSTR("bt"));
    report_flag(PSTR("lift1"));
    report_word('B', boots);
    report_word('C', cause);
    report_end();

    static incoming_t line;
    incoming_clear(&line);
    for (;;) {
        wdt_reset();
        if (serial_take_hold())
            lift_hold();
        int16_t byte = serial_get();
        if (byte >= 0) {
            if (incoming_byte(&line, byte))
                commands_line(&line);
            if (byte == '\n')
                incoming_clear(&line);
        }
        lift_run();
        telemetry_run();
        if (!serial_waiting())
            sleep_mode(); /* at most 1 ms, until the next tick */
    }
}
