/* The whole core behind a pipe, for tests/firmware/core.py: orders come in on standard input, what the board
 * does goes out on standard output. Chip, clock and flash are played here.
 *
 * An order is a letter and its figures, little-endian; what goes out is a letter, a u32 and so many bytes.
 * Orders that make the board act (I, D, P, G) are followed by a `d`. As the port is told to end, an `e` goes
 * out, and orders are taken until O: rows and edges that are left over.
 */
#include <stdio.h>
#include <stdlib.h>

#include "../core/inside.h"

static bb_board board;
static uint64_t now, lead;
static uint8_t flash[BB_COPIES][BB_RECORD_SIZE];
static uint32_t torn_at = UINT32_MAX, begin_fails, load_fails, store_fails;
static uint8_t failed_flags;
static char serial[64];

static void out(char what, const void *data, size_t size) {
    uint8_t head[5] = {(uint8_t)what};
    bb_put_u32(head + 1, (uint32_t)size);
    fwrite(head, 1, sizeof head, stdout);
    if (size) {
        fwrite(data, 1, size, stdout);
    }
    fflush(stdout);
}

static void in(void *to, size_t size) {
    if (size && fread(to, 1, size, stdin) != size) {
        exit(3); /* an order cut short */
    }
}

static uint64_t number(size_t size) {
    uint8_t bytes[8] = {0};
    in(bytes, size);
    return bb_get_u64(bytes);
}

static int orders(int until);

static uint64_t clock_now(void) { return now; }

static uint32_t begin(const bb_mode *mode, uint64_t *tick) {
    *tick = now + lead;
    out('b', &mode->mode, 1);
    return begin_fails;
}

static void end(void) {
    out('e', 0, 0);
    orders('O');
}

static uint32_t load(uint8_t copy, uint8_t *to, size_t size) {
    if (load_fails || copy >= BB_COPIES || size > BB_RECORD_SIZE) {
        return load_fails ? load_fails : 1;
    }
    memcpy(to, flash[copy], size);
    return 0;
}

static uint32_t store(uint8_t copy, const uint8_t *from, size_t size) {
    if (store_fails || copy >= BB_COPIES || size > BB_RECORD_SIZE) {
        return store_fails ? store_fails : 1;
    }
    const uint32_t unnoticed = 0x40000000u;
    uint32_t many = torn_at & ~unnoticed;
    if (torn_at != UINT32_MAX && many < size) {
        memset(flash[copy], 0xFF, BB_RECORD_SIZE);
        memcpy(flash[copy], from, many);
        return torn_at & unnoticed ? 0 : 9;
    }
    memcpy(flash[copy], from, size);
    return 0;
}

static void restart(int as_drive) {
    uint8_t drive = (uint8_t)as_drive;
    out('r', &drive, 1);
}

static void light(int on) {
    uint8_t lit = (uint8_t)on;
    out('l', &lit, 1);
}

static float supply_v(void) { return 5.0f; }
static float temperature_c(void) { return 25.0f; }
static uint8_t failed(void) { return failed_flags; }

static const bb_port PORT = {clock_now, begin, end,      load,          store,
                             restart,   light, supply_v, temperature_c, failed};

static void give(size_t most) {
    uint8_t *all = malloc(BB_RING_LENGTH);
    size_t size = 0;
    const uint8_t *data;
    for (size_t part; size < most && (part = bb_board_to_send(&board, &data)) != 0;) {
        if (part > most - size) {
            part = most - size;
        }
        memcpy(all + size, data, part);
        size += part;
        bb_board_sent(&board, part);
    }
    out('S', all, size);
    free(all);
}

/* Memory as large as what is in it, so that a read past its end is seen. */
static void *block(size_t size) {
    void *data = malloc(size ? size : 1);
    in(data, size);
    return data;
}

static void order(int what) {
    uint8_t input;
    uint64_t ticks;
    size_t size;
    void *data;
    switch (what) {
    case 'C': now = number(8); break;
    case 'B': lead = number(8); break;
    case 'I':
        input = (uint8_t)number(1);
        size = (size_t)number(1);
        memset(serial, 0, sizeof serial);
        in(serial, size < sizeof serial ? size : sizeof serial - 1);
        bb_board_init(&board, &PORT, serial, input);
        out('d', 0, 0);
        break;
    case 'D':
        size = (size_t)number(4);
        data = block(size);
        bb_board_received(&board, data, size);
        free(data);
        out('d', 0, 0);
        break;
    case 'R':
        size = (size_t)number(4); /* rows */
        data = block(size * (size_t)number(1) * 2);
        bb_board_rows(&board, data, size);
        free(data);
        break;
    case 'L': bb_board_rows_lost(&board, number(8)); break;
    case 'E':
        input = (uint8_t)number(1);
        ticks = number(8);
        bb_board_edge(&board, input, ticks, (int)number(1));
        break;
    case 'X':
        input = (uint8_t)number(1);
        bb_board_edges_lost(&board, input, (uint32_t)number(4));
        break;
    case 'P':
        bb_board_poll(&board);
        out('d', 0, 0);
        break;
    case 'G':
        bb_board_line_gone(&board);
        out('d', 0, 0);
        break;
    case 'S': give((size_t)number(4)); break;
    case 'N': {
        uint8_t told[17];
        bb_put_u64(told, board.status_tick);
        bb_put_u64(told + 8, board.ring.used);
        bb_put_u8(told + 16, board.restarts);
        out('N', told, sizeof told);
        break;
    }
    case 'W': in(flash[number(1) & 1u], BB_RECORD_SIZE); break;
    case 'V': out('V', flash[number(1) & 1u], BB_RECORD_SIZE); break;
    case 'F':
        failed_flags = (uint8_t)number(1);
        begin_fails = (uint32_t)number(4);
        load_fails = (uint32_t)number(4);
        store_fails = (uint32_t)number(4);
        torn_at = (uint32_t)number(4);
        break;
    default: exit(4);
    }
}

/* 0 at the end of the orders. */
static int orders(int until) {
    for (int what; (what = getchar()) != EOF;) {
        if (what == until) {
            return 1;
        }
        order(what);
    }
    return 0;
}

int main(void) {
    static char buffer[1 << 16];
    setvbuf(stdout, buffer, _IOFBF, sizeof buffer);
    memset(flash, 0xFF, sizeof flash);
    orders(-2);
    return 0;
}
