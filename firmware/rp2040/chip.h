/* What the parts of this port offer each other. Times are in ticks of the board clock, 62.5 MHz. */
#ifndef BB_CHIP_H
#define BB_CHIP_H

#include <stddef.h>
#include <stdint.h>

#include "board.h"
#include "registers.h"

#define IRQ_TIMER_0 0
#define IRQ_USBCTRL 5

/* Pins. Sampled inputs are GPIO 26 to 29 (converter channels 0 to 3). */
#define PIN_INDEX 16
#define PIN_ENCODER 17
#define PIN_LIGHT 25
#define SAMPLED_PINS 4
#define FUNCTION_SIO 5
#define FUNCTION_PIO0 6

static inline uint32_t interrupts_off(void) {
    uint32_t before;
    __asm volatile("mrs %0, primask\n cpsid i" : "=r"(before)::"memory");
    return before;
}

static inline void interrupts_as(uint32_t before) {
    /* the barrier: what is pending is taken here, not some instructions on */
    __asm volatile("msr primask, %0\n isb" ::"r"(before) : "memory");
}

/* clock.c */
void bb_clocks_start(void);      /* crystal, PLLs, peripherals out of reset, the board clock from 0 */
uint64_t bb_clock(void);         /* main loop alone: it reads a latched pair */
uint64_t bb_clock_at(uint16_t count); /* of a count of PWM_CH7_CTR less than 0.5 ms ago */
extern volatile int bb_woken;   /* set by interrupts that leave the main loop something to do */
void bb_tick_interrupt(void);    /* wakes the main loop each millisecond */
void bb_watchdog_start(void);    /* from now on bb_watchdog_feed within 500 ms */
void bb_watchdog_feed(void);
uint8_t bb_begin_reason(void);   /* BB_REASON_... of this start */
void bb_chip_restart(int as_drive);   /* does not return */

/* converter.c */
#define BB_RING_SAMPLES 16384u
void bb_converter_init(void);
/* Makes all ready for rows of these inputs; 0, or 1 where their order is none that the chip has. */
uint32_t bb_converter_prepare(const bb_mode *mode);
void bb_converter_end(void);
void bb_converter_look(uint64_t go_tick);     /* how far it is */
void bb_converter_take(bb_board *b);          /* the rows up to there, after the edges up to there */
float bb_converter_chip_c(void);              /* as last measured, while idle */
int bb_converter_failed(void);

/* edges.c */
void bb_edges_init(void);
void bb_edges_prepare(void);
void bb_edges_end(void);
void bb_edges_take(bb_board *b, uint64_t go_tick);

/* usb.c */
void bb_usb_start(const char *serial);
void bb_usb_interrupt(void);
void bb_usb_poll(bb_board *b);                /* moves bytes between board and line */
void bb_usb_leave(void);                      /* lets the host fetch what waits, then is gone for it */

/* flash.c */
void bb_flash_init(void);
const char *bb_flash_serial(void);            /* the last 15 hex digits of the flash's own number */
uint32_t bb_flash_load(uint8_t copy, uint8_t *to, size_t size);
uint32_t bb_flash_store(uint8_t copy, const uint8_t *from, size_t size);
int bb_flash_failed(void);
void *bb_rom_function(char first, char second);

#endif
