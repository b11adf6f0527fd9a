/* The first thing that runs in SRAM: vectors, memory set to zero, main. */
#include <stdint.h>

#include "chip.h"

extern uint32_t bss_begin[], bss_end[], stack_low[], stack_top[];

/* The stack is filled with this, so that one can see how deep it ever was. */
#define UNTOUCHED 0x5AFE57ACu

void start(void);
int main(void);

/* A fault stands still; the watchdog starts the board anew, and Begun says why. */
static void stand_still(void) {
    for (;;) {
    }
}

__attribute__((section(".vectors"), used)) static void (*const VECTORS[48])(void) = {
    (void (*)(void))stack_top,
    start,
    stand_still, /* NMI */
    stand_still, /* hard fault */
    [11] = stand_still,
    [14] = stand_still,
    [15] = stand_still,
    [16 + IRQ_TIMER_0] = bb_tick_interrupt,
    [16 + IRQ_USBCTRL] = bb_usb_interrupt,
};

void start(void) {
    for (volatile uint32_t *at = bss_begin; at < bss_end; at++) {
        *at = 0;
    }
    const volatile uint32_t *here;
    __asm volatile("mov %0, sp" : "=r"(here));
    for (volatile uint32_t *at = stack_low; at < here; at++) {
        *at = UNTOUCHED;
    }
    main();
    stand_still();
}
