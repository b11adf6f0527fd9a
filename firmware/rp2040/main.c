/* The board on this chip: what the core asks of it, and the loop that feeds it. */
#include "chip.h"

/* From the count that is read to the first conversion that is begun, and to the machines' start, by the cycles
 * of the three accesses in `go`. */
#define TO_FIRST_ROW 2u
#define TO_MACHINES 4u
/* Longer, in ticks, the start does not take with no interrupt in it: the processor stood still, and nobody
 * knows what began when. */
#define START_TICKS 1000u
#define STOOD_STILL 2u /* Reply.detail */
/* The board's own supply is not measured: all four inputs of the converter belong to the bench. */
#define NOT_MEASURED __builtin_nanf("")

static bb_board board;
static int running;
static uint64_t row_tick, machines_tick;

/* Reads the clock, starts the converter, starts the machines, with nothing in between: what lies between the
 * three is a few cycles, and the same each time. Interrupts off. */
static uint16_t go(void) {
    uint32_t count;
    __asm volatile("ldr %0, [%1]\n str %3, [%2]\n str %5, [%4]"
                   : "=&l"(count)
                   : "l"(PWM_CH7_CTR), "l"(ADC_CS + SET_AT), "l"(BIT(ADC_CS_START_MANY)), "l"(PIO0_CTRL),
                     "l"(PUT(PIO0_CTRL_SM_ENABLE, 3))
                   : "memory");
    return (uint16_t)count;
}

static void stop(void) {
    bb_converter_end();
    bb_edges_end();
}

static uint32_t begin(const bb_mode *mode, uint64_t *tick) {
    uint32_t wrong = bb_converter_prepare(mode);
    if (wrong) {
        return wrong;
    }
    bb_edges_prepare();
    uint32_t before = interrupts_off();
    uint64_t asked = bb_clock();
    uint64_t then = bb_clock_at(go());
    uint64_t took = bb_clock() - asked;
    interrupts_as(before);
    if (took > START_TICKS) {
        stop();
        return STOOD_STILL;
    }
    row_tick = then + TO_FIRST_ROW;
    machines_tick = then + TO_MACHINES;
    running = 1;
    *tick = row_tick;
    return 0;
}

static void take(void) {
    bb_converter_look(row_tick);
    bb_edges_take(&board, machines_tick);
    bb_converter_take(&board);
}

static void end(void) {
    running = 0;
    stop();
}

static void light(int on) {
    REG(on ? SIO_GPIO_OUT_SET : SIO_GPIO_OUT_CLR) = 1u << PIN_LIGHT;
}

static float supply_v(void) {
    return NOT_MEASURED;
}

static uint8_t failed(void) {
    return (uint8_t)((bb_converter_failed() ? 1u : 0u) | (bb_flash_failed() ? 4u : 0u));
}

static const bb_port PORT = {
    .clock = bb_clock,
    .begin = begin,
    .end = end,
    .load = bb_flash_load,
    .store = bb_flash_store,
    .restart = bb_chip_restart,
    .light = light,
    .supply_v = supply_v,
    .temperature_c = bb_converter_chip_c,
    .failed = failed,
};

int main(void) {
    bb_clocks_start();
    bb_watchdog_start();
    REG(PADS_BANK0_GPIO25) = BIT(PADS_BANK0_GPIO16_IE);
    REG(IO_BANK0_GPIO25_CTRL) = PUT(IO_BANK0_GPIO16_CTRL_FUNCSEL, FUNCTION_SIO);
    REG(SIO_GPIO_OE_SET) = 1u << PIN_LIGHT;
    bb_flash_init();
    bb_converter_init();
    bb_edges_init();
    bb_board_init(&board, &PORT, bb_flash_serial(), bb_begin_reason());
    bb_usb_start(bb_flash_serial());
    for (;;) {
        bb_watchdog_feed();
        bb_woken = 0;
        bb_usb_poll(&board);
        if (running) {
            take();
        }
        bb_board_poll(&board);
        bb_usb_poll(&board);
        uint32_t before = interrupts_off();
        while (!bb_woken) {
            __asm volatile("wfi" ::: "memory"); /* wakes for what is masked as well */
            interrupts_as(before);
            before = interrupts_off();
        }
        interrupts_as(before);
    }
}
