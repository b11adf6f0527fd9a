/* Crystal, PLLs, the board clock, the watchdog.
 *
 * The board clock has 62.5 MHz: half of clk_sys. Its lowest 16 bits are counted by a PWM slice that drives
 * no pin, the rest comes of the timer of microseconds; both go by the crystal, so they keep together.
 */
#include "chip.h"

#define XOSC_1_TO_15_MHZ 0xAA0u
#define XOSC_ENABLE 0xFABu
#define XOSC_WAIT 300u /* times 256 periods: 6 ms */
#define REF_OF_XOSC 2u
#define SYS_OF_AUX 1u
#define AUX_PLL_SYS 0u
#define AUX_PLL_USB 0u
#define TICK_US 1000u
#define WATCHDOG_US 500000u
#define MOST_APART_US 100u /* bb_clock_at takes a count of less than 524 us ago */
/* What begins anew with the watchdog. */
#define ALL_BUT_OSCILLATORS (0x1FFFFu & ~(BIT(PSM_WDSEL_ROSC) | BIT(PSM_WDSEL_XOSC)))
/* In a scratch register that a reset by the watchdog leaves alone: we asked for it. */
#define ASKED 0xBB0A5CEDu

volatile int bb_woken;
static uint16_t phase;
static uint8_t reason;

static void out_of_reset(uint32_t which) {
    SET(RESETS_RESET, which);
    CLEAR(RESETS_RESET, which);
    while ((REG(RESETS_RESET_DONE) & which) != which) {
    }
}

/* 12 MHz * times / by1 / by2; `at` is the CS register of a PLL, whose others follow as those of PLL_SYS. */
static void pll(uint32_t at, uint32_t times, uint32_t by1, uint32_t by2) {
    const uint32_t power = at + PLL_SYS_PWR - PLL_SYS_CS;
    REG(at) = PUT(PLL_SYS_CS_REFDIV, 1);
    REG(at + PLL_SYS_FBDIV_INT - PLL_SYS_CS) = times;
    CLEAR(power, BIT(PLL_SYS_PWR_PD) | BIT(PLL_SYS_PWR_VCOPD));
    while (!GET(PLL_SYS_CS_LOCK, REG(at))) {
    }
    REG(at + PLL_SYS_PRIM - PLL_SYS_CS) =
        PUT(PLL_SYS_PRIM_POSTDIV1, by1) | PUT(PLL_SYS_PRIM_POSTDIV2, by2);
    CLEAR(power, BIT(PLL_SYS_PWR_POSTDIVPD));
}

static uint32_t microseconds(uint32_t *high) {
    uint32_t low = REG(TIMER_TIMELR); /* latches the high half */
    *high = REG(TIMER_TIMEHR);
    return low;
}

static uint64_t coarse(void) {
    uint32_t high;
    uint32_t low = microseconds(&high);
    return ((uint64_t)high << 32 | low) * (BB_CLOCK_HZ / 500000u) / 2u;
}

void bb_clocks_start(void) {
    uint32_t why = REG(WATCHDOG_REASON);
    reason = !why                                                                 ? BB_REASON_POWER
             : GET(WATCHDOG_REASON_FORCE, why) && REG(WATCHDOG_SCRATCH0) == ASKED ? BB_REASON_ASKED
                                                                                  : BB_REASON_WATCHDOG;
    REG(WATCHDOG_SCRATCH0) = 0;

    REG(XOSC_STARTUP) = PUT(XOSC_STARTUP_DELAY, XOSC_WAIT);
    REG(XOSC_CTRL) = PUT(XOSC_CTRL_FREQ_RANGE, XOSC_1_TO_15_MHZ) | PUT(XOSC_CTRL_ENABLE, XOSC_ENABLE);
    while (!GET(XOSC_STATUS_STABLE, REG(XOSC_STATUS))) {
    }
    /* Back to the reference before the PLLs are touched: a program may have been running before. */
    CLEAR(CLOCKS_CLK_SYS_CTRL, BIT(CLOCKS_CLK_SYS_CTRL_SRC));
    while (!(REG(CLOCKS_CLK_SYS_SELECTED) & 1u)) {
    }
    REG(CLOCKS_CLK_REF_CTRL) = PUT(CLOCKS_CLK_REF_CTRL_SRC, REF_OF_XOSC);
    while (!(REG(CLOCKS_CLK_REF_SELECTED) & 1u << REF_OF_XOSC)) {
    }
    out_of_reset(BIT(RESETS_RESET_PLL_SYS) | BIT(RESETS_RESET_PLL_USB));
    pll(PLL_SYS_CS, 125, 6, 2);
    pll(PLL_USB_CS, 100, 5, 5);
    REG(CLOCKS_CLK_SYS_CTRL) = PUT(CLOCKS_CLK_SYS_CTRL_AUXSRC, AUX_PLL_SYS);
    SET(CLOCKS_CLK_SYS_CTRL, PUT(CLOCKS_CLK_SYS_CTRL_SRC, SYS_OF_AUX));
    while (!(REG(CLOCKS_CLK_SYS_SELECTED) & 1u << SYS_OF_AUX)) {
    }
    REG(CLOCKS_CLK_USB_CTRL) =
        BIT(CLOCKS_CLK_USB_CTRL_ENABLE) | PUT(CLOCKS_CLK_USB_CTRL_AUXSRC, AUX_PLL_USB);
    REG(CLOCKS_CLK_ADC_CTRL) =
        BIT(CLOCKS_CLK_ADC_CTRL_ENABLE) | PUT(CLOCKS_CLK_ADC_CTRL_AUXSRC, AUX_PLL_USB);

    out_of_reset(BIT(RESETS_RESET_ADC) | BIT(RESETS_RESET_DMA) | BIT(RESETS_RESET_IO_BANK0) |
                 BIT(RESETS_RESET_PADS_BANK0) | BIT(RESETS_RESET_PIO0) | BIT(RESETS_RESET_PWM) |
                 BIT(RESETS_RESET_TIMER) | BIT(RESETS_RESET_USBCTRL));
    REG(WATCHDOG_TICK) = BIT(WATCHDOG_TICK_ENABLE) | PUT(WATCHDOG_TICK_CYCLES, 12);

    REG(PWM_CH7_DIV) = PUT(PWM_CH7_DIV_INT, 2);
    REG(PWM_CH7_CSR) = BIT(PWM_CH7_CSR_EN);
    phase = (uint16_t)(REG(PWM_CH7_CTR) - (uint32_t)coarse());

    REG(TIMER_INTE) = BIT(TIMER_INTE_ALARM_0);
    REG(NVIC_ISER) = 1u << IRQ_TIMER_0;
    REG(TIMER_ALARM0) = REG(TIMER_TIMERAWL) + TICK_US;
}

uint64_t bb_clock_at(uint16_t count) {
    uint64_t tick = coarse();
    return tick + (uint64_t)(int64_t)(int16_t)(uint16_t)(count - phase - (uint16_t)tick);
}

/* Where the processor stood still between count and timer, they do not belong together. */
uint64_t bb_clock(void) {
    uint32_t begin_us;
    uint64_t tick;
    do {
        begin_us = REG(TIMER_TIMERAWL);
        tick = bb_clock_at((uint16_t)REG(PWM_CH7_CTR));
    } while (REG(TIMER_TIMERAWL) - begin_us > MOST_APART_US);
    return tick;
}

void bb_tick_interrupt(void) {
    uint32_t at_us;
    REG(TIMER_INTR) = BIT(TIMER_INTR_ALARM_0);
    do { /* an alarm that is set when its time is over comes after 71 minutes */
        at_us = REG(TIMER_TIMERAWL) + TICK_US;
        REG(TIMER_ALARM0) = at_us;
    } while ((int32_t)(REG(TIMER_TIMERAWL) - at_us) >= 0);
    bb_woken = 1;
}

void bb_watchdog_start(void) {
    REG(PSM_WDSEL) = ALL_BUT_OSCILLATORS;
    bb_watchdog_feed();
    SET(WATCHDOG_CTRL, BIT(WATCHDOG_CTRL_ENABLE));
}

void bb_watchdog_feed(void) {
    REG(WATCHDOG_LOAD) = 2u * WATCHDOG_US; /* it counts two a microsecond (erratum E1) */
}

uint8_t bb_begin_reason(void) {
    return reason;
}

void bb_chip_restart(int as_drive) {
    bb_usb_leave();
    if (as_drive) {
        CLEAR(WATCHDOG_CTRL, BIT(WATCHDOG_CTRL_ENABLE));
        void (*drive)(uint32_t light, uint32_t without) =
            (void (*)(uint32_t, uint32_t))bb_rom_function('U', 'B');
        if (drive) {
            drive(1u << PIN_LIGHT, 0);
        }
    }
    REG(PSM_WDSEL) = ALL_BUT_OSCILLATORS;
    REG(WATCHDOG_SCRATCH0) = ASKED;
    SET(WATCHDOG_CTRL, BIT(WATCHDOG_CTRL_TRIGGER));
    for (;;) {
    }
}
