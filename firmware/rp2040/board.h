/* What the parts of this port share: pins, DMA channels, clocks, and what each part offers. */
#ifndef RP2040_BOARD_H
#define RP2040_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "front_end.h"
#include "registers.h"

#define CLK_HZ 120000000u
#define CRYSTAL_MHZ 12u
#define TICK_HZ 10000000u

/* Where `drumlin front-end configure` puts the record: the last 4 KB of 2 MB of flash. */
#define CONFIG_RECORD ((const uint8_t *)0x101FF000u)

enum {
    BOARD_ID = 1,
    WHEELS = 4,
    CONVERTER_INPUTS = 8,
    OUTPUTS = 4,
    DIGITAL_IN = 4,
    DIGITAL_OUT = 2,
    SLOW_INPUTS = 8
};

enum { /* pins, as in the table of docs/front-end.md */
    PIN_TX = 0,
    PIN_RX = 1,
    PIN_SUPPLY = 2,        /* 2 to 5 */
    PIN_ALIVE = 6,
    PIN_DATA_READY = 7,
    PIN_SPI_IN = 8,
    PIN_SPI_SELECT = 9,
    PIN_SPI_CLOCK = 10,
    PIN_SPI_OUT = 11,
    PIN_WHEEL = 12,        /* 12 to 15 */
    PIN_SDA = 16,
    PIN_SCL = 17,
    PIN_DIGITAL_IN = 18,   /* 18 to 21 */
    PIN_DIGITAL_OUT = 22,  /* 22 and 23 */
    PIN_CURRENT = 26       /* 26 to 29, ADC inputs 0 to 3 */
};

enum { /* DMA channels; a wheel w has 2 w and 2 w + 1 */
    DMA_LINE = 8,
    DMA_CURRENTS_A = 9,
    DMA_CURRENTS_B = 10
};

enum { SLICE_STEP = 6, SLICE_TICK = 7 };

extern fe_front_end front;

void set_pin(uint32_t pin, uint32_t function, uint32_t pad);

/* clock.c: the crystal, 120 MHz, and the counter of ticks. */
void clock_start(void);
void clock_start_steps(uint32_t ticks_per_step);
uint32_t clock_next_step(void); /* in the step's interrupt: gives its tick */
uint32_t clock_now(void);
uint32_t clock_at(uint32_t counter); /* the tick of a 16-bit count near the last step */

/* teeth.c: changes of the wheels' pins, stamped without an instruction. */
void teeth_start(void);
void teeth_collect(uint32_t end);

/* serial.c: the line. */
void serial_start(uint32_t baud);
void serial_send(void);        /* whatever waits in front.line, if the line is free */

/* converters.c: load cells. */
void converters_start(void);
void converters_read(fe_inputs *inputs);

/* supplies.c: what the absorbers' supplies are asked for, and what flows. */
void supplies_start(void);
void supplies_ask(const uint16_t *set_points);
void supplies_off(void);
void supplies_alive(void);     /* one edge of the pulse train that holds the supplies enabled */
void supplies_read(uint16_t *measured);

/* contacts.c: digital inputs and outputs. */
void contacts_start(void);
uint16_t contacts_read(void);
void contacts_set(uint8_t outputs);

/* slow_inputs.c: temperatures and the like. */
void slow_start(void);
void slow_step(void);          /* once a frame */
float slow_volts(uint32_t input); /* NaN: the converter does not answer */

/* watchdog.c */
uint8_t reset_cause(void);
uint32_t random_number(void);
void watchdog_start(void);
void watchdog_feed(void);

#endif
