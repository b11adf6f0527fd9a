/* The converter: 500,000 samples a second in all, back to back, round and round over two or three inputs.
 *
 * Two DMA channels take turns, each for one turn of the same ring, and start each other: nothing has to be
 * done in time but taking the samples out before the ring has gone round. How far it has come is told by the
 * address written next, and how often it went round by the board clock, as a sample takes 125 ticks exactly
 * (96 periods of 48 MHz): late as one may look, nothing is mistaken.
 *
 * The DMA waits for nobody, and the processor may stand still anywhere. So rows are copied first; then it is
 * looked whether the DMA may have come so far meanwhile; only what it cannot have reached is handed on.
 */
#include "chip.h"

#define CHANNEL_A 0u
#define CHANNEL_B 1u
#define TREQ_ADC 36u
#define SIZE_16 1u
#define RING_BITS 15u /* bytes */
#define SAMPLE_TICKS 125u
#define TEMPERATURE 4u
/* So many rows are copied and handed on before one looks anew how far the DMA is. */
#define AT_ONCE 256u
/* Samples that the DMA may be at while it is asked how far it is. */
#define NEAR 8u
/* Where something is lost, so many are that it comes to next, or it would go on reaching what is being copied. */
#define KEEP_OFF 1024u
/* Between two readings of the clock, or what is read between them is read again. In ticks. */
#define MOST_APART (4u * SAMPLE_TICKS)

_Static_assert(BB_RING_SAMPLES * 2u == 1u << RING_BITS, "the ring is what the DMA wraps at");

static volatile uint16_t ring[BB_RING_SAMPLES] __attribute__((aligned(1u << RING_BITS)));
static uint32_t copied[AT_ONCE * BB_MOST_MODE_INPUTS / 2u + 1u];
static uint32_t inputs;
static uint64_t taken, there; /* rows, lost ones included; rows as last looked */
static uint64_t begun;        /* tick of row 0 */
static int failed;
static float chip_c;

static uint32_t channel(uint32_t which, uint32_t reg) {
    return reg + which * DMA_STRIDE;
}

/* The converter's channel of an input; -1: none. */
static int channel_of(uint8_t input) {
    switch (input) {
    case BB_INPUT_POINTS_V: return 0;
    case BB_INPUT_CURRENT_A: return 1;
    case BB_INPUT_SUPPLY_V: return 2;
    case BB_INPUT_CONTACT_V: return 3;
    default: return -1;
    }
}

static void measure_chip(void) {
    REG(ADC_CS) = BIT(ADC_CS_EN) | BIT(ADC_CS_TS_EN) | PUT(ADC_CS_AINSEL, TEMPERATURE);
    SET(ADC_CS, BIT(ADC_CS_START_ONCE));
    for (uint32_t wait = 0; !GET(ADC_CS_READY, REG(ADC_CS)); wait++) {
        if (wait > 10000u) {
            failed = 1;
            return;
        }
    }
    /* Of the datasheet: 0.706 V at 27 deg C, 1.721 mV less each degree more; 3.3 V in 4096 steps. */
    chip_c = 27.0f - ((float)REG(ADC_RESULT) * (3.3f / 4096.0f) - 0.706f) / 0.001721f;
}

void bb_converter_init(void) {
    for (uint32_t pin = 0; pin < SAMPLED_PINS; pin++) {
        /* Neither driven, pulled nor read as a digital input: the converter alone. */
        REG(PADS_BANK0_GPIO26 + 4u * pin) = BIT(PADS_BANK0_GPIO16_OD);
    }
    REG(ADC_CS) = BIT(ADC_CS_EN) | BIT(ADC_CS_TS_EN);
    for (uint32_t wait = 0; !GET(ADC_CS_READY, REG(ADC_CS)); wait++) {
        if (wait > 10000u) {
            failed = 1;
            return;
        }
    }
    measure_chip();
}

uint32_t bb_converter_prepare(const bb_mode *mode) {
    const uint8_t order[BB_MOST_MODE_INPUTS] = {mode->first, mode->second, mode->third};
    uint32_t mask = 0;
    int before = -1, lowest = -1;
    for (uint32_t k = 0; k < mode->inputs && k < BB_MOST_MODE_INPUTS; k++) {
        int which = channel_of(order[k]);
        if (which <= before) {
            return 1; /* it goes round upwards alone */
        }
        lowest = lowest < 0 ? which : lowest;
        before = which;
        mask |= 1u << which;
    }
    if (lowest < 0) {
        return 1;
    }
    inputs = mode->inputs;
    taken = there = 0;
    failed = 0;
    measure_chip();
    REG(ADC_DIV) = 0;
    REG(ADC_FCS) = BIT(ADC_FCS_EN) | BIT(ADC_FCS_DREQ_EN) | PUT(ADC_FCS_THRESH, 1) | BIT(ADC_FCS_OVER) |
                   BIT(ADC_FCS_UNDER);
    while (!GET(ADC_FCS_EMPTY, REG(ADC_FCS))) {
        (void)REG(ADC_FIFO);
    }
    const uint32_t control = BIT(DMA_CH0_CTRL_TRIG_EN) | BIT(DMA_CH0_CTRL_TRIG_HIGH_PRIORITY) |
                             PUT(DMA_CH0_CTRL_TRIG_DATA_SIZE, SIZE_16) |
                             BIT(DMA_CH0_CTRL_TRIG_INCR_WRITE) |
                             PUT(DMA_CH0_CTRL_TRIG_RING_SIZE, RING_BITS) |
                             BIT(DMA_CH0_CTRL_TRIG_RING_SEL) | PUT(DMA_CH0_CTRL_TRIG_TREQ_SEL, TREQ_ADC) |
                             BIT(DMA_CH0_CTRL_TRIG_IRQ_QUIET);
    for (uint32_t which = CHANNEL_A; which <= CHANNEL_B; which++) {
        REG(channel(which, DMA_CH0_READ_ADDR)) = ADC_FIFO;
        REG(channel(which, DMA_CH0_WRITE_ADDR)) = (uint32_t)(uintptr_t)ring;
        REG(channel(which, DMA_CH0_TRANS_COUNT)) = BB_RING_SAMPLES;
    }
    REG(channel(CHANNEL_B, DMA_CH0_AL1_CTRL)) = control | PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, CHANNEL_A);
    REG(channel(CHANNEL_A, DMA_CH0_CTRL_TRIG)) = control | PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, CHANNEL_B);
    REG(ADC_CS) = BIT(ADC_CS_EN) | BIT(ADC_CS_TS_EN) | PUT(ADC_CS_AINSEL, (uint32_t)lowest) |
                  PUT(ADC_CS_RROBIN, mask) | BIT(ADC_CS_ERR_STICKY);
    return 0;
}

void bb_converter_end(void) {
    REG(ADC_CS) = BIT(ADC_CS_EN) | BIT(ADC_CS_TS_EN);
    while (!GET(ADC_CS_READY, REG(ADC_CS))) {
    }
    for (uint32_t which = CHANNEL_A; which <= CHANNEL_B; which++) {
        REG(channel(which, DMA_CH0_AL1_CTRL)) = PUT(DMA_CH0_CTRL_TRIG_CHAIN_TO, which);
    }
    REG(DMA_CHAN_ABORT) = 1u << CHANNEL_A | 1u << CHANNEL_B;
    for (uint32_t which = CHANNEL_A; which <= CHANNEL_B; which++) {
        while (GET(DMA_CH0_CTRL_TRIG_BUSY, REG(channel(which, DMA_CH0_CTRL_TRIG)))) {
        }
    }
    REG(ADC_FCS) = BIT(ADC_FCS_OVER) | BIT(ADC_FCS_UNDER);
}

/* Where the DMA writes next, in samples, and the clock then: the processor may have stood still in between. */
static uint32_t place_at(uint64_t *tick) {
    uint32_t address;
    do {
        *tick = bb_clock();
        uint32_t a_runs = GET(DMA_CH0_CTRL_TRIG_BUSY, REG(channel(CHANNEL_A, DMA_CH0_CTRL_TRIG)));
        address = REG(channel(a_runs ? CHANNEL_A : CHANNEL_B, DMA_CH0_WRITE_ADDR));
    } while (bb_clock() - *tick > MOST_APART);
    return (address - (uint32_t)(uintptr_t)ring) / 2u;
}

/* Samples that the DMA has written since the start, by the clock and by where it writes. */
static uint64_t written(void) {
    uint64_t tick;
    uint32_t place = place_at(&tick);
    uint64_t expected = (tick - begun) / SAMPLE_TICKS;
    int32_t off = (int32_t)((place - (uint32_t)expected) % BB_RING_SAMPLES);
    if (off >= (int32_t)(BB_RING_SAMPLES / 2u)) {
        off -= (int32_t)BB_RING_SAMPLES;
    }
    if (off > 8 || off < -8) {
        failed = 1; /* the converter does not go by the clock */
    }
    int64_t total = (int64_t)expected + off;
    return total < 0 ? 0 : (uint64_t)total;
}

void bb_converter_look(uint64_t go_tick) {
    begun = go_tick;
    there = written() / inputs;
}

/* A copy of so many samples of the ring, from one on. Two at a time, measured in the emulator: 2 % of the
 * processor, one by one 4 %. */
static const uint16_t *copy(uint32_t from, uint32_t samples) {
    const volatile uint32_t *pairs = (const volatile uint32_t *)ring;
    uint32_t first = from / 2u, end = (from + samples + 1u) / 2u;
    for (uint32_t k = first; k < end; k++) {
        copied[k - first] = pairs[k % (BB_RING_SAMPLES / 2u)];
    }
    return (const uint16_t *)copied + from % 2u;
}

/* The row to go on with: the next, or where the DMA may have reached that, a later one; none of those of which
 * one has not looked yet whether they are there. */
static uint64_t next(void) {
    uint64_t samples = written();
    if (samples + NEAR <= taken * inputs + BB_RING_SAMPLES) {
        return taken;
    }
    uint64_t first = (samples + KEEP_OFF - BB_RING_SAMPLES + inputs - 1u) / inputs;
    return first < there ? first : there;
}

void bb_converter_take(bb_board *b) {
    if (GET(ADC_FCS_OVER, REG(ADC_FCS))) {
        failed = 1; /* samples left out: which input is whose would be a guess from here on */
        return;
    }
    while (taken < there) {
        uint64_t left = there - taken;
        uint32_t rows = left < AT_ONCE ? (uint32_t)left : AT_ONCE;
        const uint16_t *samples = copy((uint32_t)((taken * inputs) % BB_RING_SAMPLES), rows * inputs);
        uint64_t first = next(); /* after the copy: before it, it could be overwritten while it is made */
        if (first > taken) {
            bb_board_rows_lost(b, first - taken);
            taken = first;
        } else {
            bb_board_rows(b, samples, rows);
            taken += rows;
        }
    }
}

float bb_converter_chip_c(void) {
    return chip_c;
}

int bb_converter_failed(void) {
    return failed;
}
