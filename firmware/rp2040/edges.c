/* Times of the edges of index and encoder, by the programmable input and output.
 *
 * One machine an input. Each counts X down by one every second cycle of 125 MHz, whatever it does, which is
 * the board clock; while the line is steady it only looks at the pin between two counts. After an edge it
 * shifts in which way the line went and the low 31 bits of X, in six cycles: a line that goes back within 48 ns
 * is stamped late by so much, one that is back after 64 ns is exact. The push never waits, so the count never
 * does: where the queue is full the edge is lost, and a flag says so. From the queue the DMA fills a ring, and
 * waits for nobody either: edges are taken as the converter's rows are, copied, then looked at again.
 */
#include "chip.h"

#define MACHINES 2u
#define FIRST_DMA 2u
#define TREQ_PIO0_RX0 4u
#define SIZE_32 2u
#define ENDLESS 0xFFFFFFFFu
#define STAMP 0x7FFFFFFFu
/* From the edge at the pin to the count that is shifted in: two cycles to synchronise it, one until it is
 * looked at on average, five after that. In ticks. */
#define LATE 4u

/* So many edges are copied and handed on before one looks anew how far the DMA is. NEAR and KEEP_OFF are as in
 * converter.c. */
#define AT_ONCE 16u
#define NEAR 8u
#define KEEP_OFF 64u

/* Instructions, from what the bits mean. */
#define JMP(condition, to) (uint16_t)((condition) << 5 | (to))
#define ON_X 2u /* counts X down; both ways lead to the next instruction */
#define ON_PIN 6u
#define IN(source, bits) (uint16_t)(0x4000u | (source) << 5 | (bits))
#define OF_X 1u
#define OF_Y 2u
#define OF_NULL 3u
#define PUSH_OR_LOSE 0x8000u
#define SET_Y_0 0xE040u
#define MOV_X_ONES 0xA02Bu /* x = ~null */
#define MOV_Y_ONES 0xA04Bu

enum { ROSE = 0, HIGH = 6, FELL = 8, LOW = 14, LENGTH = 16 };
static const uint16_t PROGRAM[LENGTH] = {
    [ROSE] = JMP(ON_X, 1),
    IN(OF_Y, 1),
    JMP(ON_X, 3),
    IN(OF_X, 31),
    JMP(ON_X, 5),
    PUSH_OR_LOSE,
    [HIGH] = JMP(ON_X, 7),
    JMP(ON_PIN, HIGH),
    [FELL] = JMP(ON_X, 9),
    IN(OF_NULL, 1),
    JMP(ON_X, 11),
    IN(OF_X, 31),
    JMP(ON_X, 13),
    PUSH_OR_LOSE,
    [LOW] = JMP(ON_X, 15),
    JMP(ON_PIN, ROSE), /* else on to LOW: the wrap */
};

#define INDEX_BITS 10u  /* bytes: 256 edges */
#define ENCODER_BITS 14u /* 4096 */
static uint32_t index_ring[1u << (INDEX_BITS - 2u)] __attribute__((aligned(1u << INDEX_BITS)));
static uint32_t encoder_ring[1u << (ENCODER_BITS - 2u)] __attribute__((aligned(1u << ENCODER_BITS)));

static struct {
    const uint8_t input, pin;
    volatile uint32_t *const ring;
    const uint32_t bits, held; /* held: edges of the ring, a power of two */
    uint32_t taken;            /* edges since the start, lost ones included */
} lines[MACHINES] = {
    {BB_INPUT_INDEX, PIN_INDEX, index_ring, INDEX_BITS, 1u << (INDEX_BITS - 2u), 0},
    {BB_INPUT_ENCODER, PIN_ENCODER, encoder_ring, ENCODER_BITS, 1u << (ENCODER_BITS - 2u), 0},
};

static uint32_t machine(uint32_t which, uint32_t reg) {
    return reg + which * PIO0_STRIDE;
}

static uint32_t channel(uint32_t which, uint32_t reg) {
    return reg + (FIRST_DMA + which) * DMA_STRIDE;
}

void bb_edges_init(void) {
    const uint32_t input = BIT(PADS_BANK0_GPIO16_IE) | BIT(PADS_BANK0_GPIO16_SCHMITT) |
                           BIT(PADS_BANK0_GPIO16_PDE) | BIT(PADS_BANK0_GPIO16_OD);
    REG(PADS_BANK0_GPIO16) = input;
    REG(PADS_BANK0_GPIO17) = input;
    REG(IO_BANK0_GPIO16_CTRL) = PUT(IO_BANK0_GPIO16_CTRL_FUNCSEL, FUNCTION_PIO0);
    REG(IO_BANK0_GPIO17_CTRL) = PUT(IO_BANK0_GPIO16_CTRL_FUNCSEL, FUNCTION_PIO0);
    for (uint32_t k = 0; k < LENGTH; k++) {
        REG(PIO0_INSTR_MEM0 + 4u * k) = PROGRAM[k];
    }
    for (uint32_t m = 0; m < MACHINES; m++) {
        REG(machine(m, PIO0_SM0_CLKDIV)) = PUT(PIO0_SM0_CLKDIV_INT, 1);
        REG(machine(m, PIO0_SM0_EXECCTRL)) = PUT(PIO0_SM0_EXECCTRL_WRAP_BOTTOM, LOW) |
                                             PUT(PIO0_SM0_EXECCTRL_WRAP_TOP, LENGTH - 1u) |
                                             PUT(PIO0_SM0_EXECCTRL_JMP_PIN, lines[m].pin);
        /* shifts to the left; the queue towards us gets the places of the other one as well */
        REG(machine(m, PIO0_SM0_SHIFTCTRL)) = BIT(PIO0_SM0_SHIFTCTRL_FJOIN_RX);
    }
}

static void dma_begin(uint32_t m) {
    REG(channel(m, DMA_CH0_READ_ADDR)) = m ? PIO0_RXF1 : PIO0_RXF0;
    REG(channel(m, DMA_CH0_WRITE_ADDR)) = (uint32_t)(uintptr_t)lines[m].ring;
    REG(channel(m, DMA_CH0_TRANS_COUNT)) = ENDLESS;
    REG(channel(m, DMA_CH0_CTRL_TRIG)) =
        BIT(DMA_CH0_CTRL_TRIG_EN) | PUT(DMA_CH0_CTRL_TRIG_DATA_SIZE, SIZE_32) |
        BIT(DMA_CH0_CTRL_TRIG_INCR_WRITE) | PUT(DMA_CH0_CTRL_TRIG_RING_SIZE, lines[m].bits) |
        BIT(DMA_CH0_CTRL_TRIG_RING_SEL) | PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, FIRST_DMA + m) |
        PUT(DMA_CH0_CTRL_TRIG_TREQ_SEL, TREQ_PIO0_RX0 + m) | BIT(DMA_CH0_CTRL_TRIG_IRQ_QUIET);
}

void bb_edges_prepare(void) {
    REG(PIO0_CTRL) = PUT(PIO0_CTRL_SM_RESTART, 3) | PUT(PIO0_CTRL_CLKDIV_RESTART, 3);
    for (uint32_t m = 0; m < MACHINES; m++) {
        /* empties the queue: joining and parting clears it */
        REG(machine(m, PIO0_SM0_SHIFTCTRL)) = 0;
        REG(machine(m, PIO0_SM0_SHIFTCTRL)) = BIT(PIO0_SM0_SHIFTCTRL_FJOIN_RX);
        REG(machine(m, PIO0_SM0_INSTR)) = MOV_X_ONES;
        REG(machine(m, PIO0_SM0_INSTR)) = MOV_Y_ONES;
        lines[m].taken = 0;
        dma_begin(m);
    }
    REG(PIO0_FDEBUG) = PUT(PIO0_FDEBUG_RXSTALL, 3);
    for (uint32_t m = 0; m < MACHINES; m++) {
        /* the level at the start is no edge */
        uint32_t high = REG(SIO_GPIO_IN) >> lines[m].pin & 1u;
        REG(machine(m, PIO0_SM0_INSTR)) = JMP(0u, high ? HIGH : LOW);
    }
}

void bb_edges_end(void) {
    REG(PIO0_CTRL) = 0;
    for (uint32_t m = 0; m < MACHINES; m++) {
        REG(channel(m, DMA_CH0_AL1_CTRL)) = PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, FIRST_DMA + m);
        REG(DMA_CHAN_ABORT) = 1u << (FIRST_DMA + m);
        while (GET(DMA_CH0_CTRL_TRIG_BUSY, REG(channel(m, DMA_CH0_CTRL_TRIG)))) {
        }
    }
}

static uint32_t written(uint32_t m) {
    return ENDLESS - REG(channel(m, DMA_CH0_TRANS_COUNT));
}

/* Where the DMA may have reached the next edge: how many are lost. */
static uint32_t overwritten(uint32_t m) {
    uint32_t waiting = written(m) - lines[m].taken;
    return waiting + NEAR > lines[m].held ? waiting + KEEP_OFF - lines[m].held : 0;
}

static void take(bb_board *b, uint32_t m, uint64_t go_tick) {
    uint32_t done = written(m);
    uint64_t now = bb_clock(); /* after that: none of these edges is younger */
    while ((int32_t)(done - lines[m].taken) > 0) {
        uint32_t words[AT_ONCE], left = done - lines[m].taken;
        uint32_t many = left < AT_ONCE ? left : AT_ONCE;
        for (uint32_t k = 0; k < many; k++) {
            words[k] = lines[m].ring[(lines[m].taken + k) & (lines[m].held - 1u)];
        }
        uint32_t lost = overwritten(m); /* after the copy: it could come about while it is made */
        if (lost) {
            bb_board_edges_lost(b, lines[m].input, lost);
            lines[m].taken += lost;
            continue;
        }
        for (uint32_t k = 0; k < many; k++) {
            /* 31 bits of count, 34 s: the clock says which round. */
            uint32_t counted = (STAMP - (words[k] & STAMP)) & STAMP;
            uint32_t ago = ((uint32_t)(now - go_tick) + LATE - counted) & STAMP;
            bb_board_edge(b, lines[m].input, now - ago, (int)(words[k] >> 31));
        }
        lines[m].taken += many;
    }
    if (REG(PIO0_FDEBUG) & 1u << m) {
        REG(PIO0_FDEBUG) = 1u << m;
        bb_board_edges_lost(b, lines[m].input, 1);
    }
    if (done == ENDLESS) { /* after a day of the fastest encoder */
        dma_begin(m);
        lines[m].taken = 0;
    }
}

void bb_edges_take(bb_board *b, uint64_t go_tick) {
    for (uint32_t m = 0; m < MACHINES; m++) {
        take(b, m, go_tick);
    }
}
