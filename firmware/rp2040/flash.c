/* The flash: its own number, and the two last sectors, which keep the calibration.
 *
 * Nothing is run from flash, so that it may be taken from its mapping at any time. What erases and writes are
 * functions of the boot ROM.
 */
#include <string.h>

#include "chip.h"

#define SECTOR 4096u
#define PAGE 256u
#define BLOCK 65536u
#define BLOCK_ERASE 0xD8u
#define READ_NUMBER 0x4Bu /* then four bytes of nothing, then eight of number */
#define READ_KIND 0x9Fu   /* maker, kind, and the size as a power of two */
#define SELECT_LOW 2u
#define SELECT_HIGH 3u
/* Read without the cache, which knows nothing of what we wrote. */
#define MAPPED 0x13000000u
#define ROM_TABLE 0x14u
#define MOST_RECORD 1024u
#define LEAST_SIZE 20u /* 1 MiB */
#define MOST_SIZE 24u  /* 16 MiB: what is mapped */
#define USUAL_SIZE 21u

enum { OK, NO_FUNCTION, TOO_LONG, NO_SUCH_COPY, DIFFERS };

static char serial[16];
static uint32_t size = 1u << USUAL_SIZE;
static int failed;

static struct {
    void (*connect)(void);
    void (*unmap)(void);
    void (*erase)(uint32_t at, uint32_t bytes, uint32_t block, uint32_t block_command);
    void (*program)(uint32_t at, const uint8_t *data, uint32_t bytes);
    void (*flush)(void);
    void (*map)(void);
} rom;

/* A table of pairs: two letters, address; ended by zeros. */
void *bb_rom_function(char first, char second) {
    const uint16_t wanted = (uint16_t)((uint8_t)first | (uint8_t)second << 8);
    const volatile uint16_t *at = (const volatile uint16_t *)(uintptr_t)REG16(ROM_TABLE);
    for (; at[0]; at += 2) {
        if (at[0] == wanted) {
            return (void *)(uintptr_t)at[1];
        }
    }
    return NULL;
}

static int find_rom(void) {
    rom.connect = (void (*)(void))bb_rom_function('I', 'F');
    rom.unmap = (void (*)(void))bb_rom_function('E', 'X');
    rom.erase = (void (*)(uint32_t, uint32_t, uint32_t, uint32_t))bb_rom_function('R', 'E');
    rom.program = (void (*)(uint32_t, const uint8_t *, uint32_t))bb_rom_function('R', 'P');
    rom.flush = (void (*)(void))bb_rom_function('F', 'C');
    rom.map = (void (*)(void))bb_rom_function('C', 'X');
    return rom.connect && rom.unmap && rom.erase && rom.program && rom.flush && rom.map;
}

static void chip_select(uint32_t level) {
    uint32_t word = REG(IO_QSPI_GPIO_QSPI_SS_CTRL) & ~PUT(IO_QSPI_GPIO_QSPI_SS_CTRL_OUTOVER, 3);
    REG(IO_QSPI_GPIO_QSPI_SS_CTRL) = word | PUT(IO_QSPI_GPIO_QSPI_SS_CTRL_OUTOVER, level);
}

/* Sends a command and takes the answer, byte for byte. The flash is not mapped meanwhile. */
static void command(const uint8_t *out, uint8_t *in, size_t bytes) {
    size_t sent = 0, got = 0;
    chip_select(SELECT_LOW);
    while (got < bytes) {
        uint32_t state = REG(SSI_SR);
        if (sent < bytes && sent - got < 8u && GET(SSI_SR_TFNF, state)) {
            REG(SSI_DR0) = out[sent++];
        }
        if (got < sent && GET(SSI_SR_RFNE, state)) {
            in[got++] = (uint8_t)REG(SSI_DR0);
        }
    }
    chip_select(SELECT_HIGH);
}

void bb_flash_init(void) {
    static const char HEX[] = "0123456789ABCDEF";
    uint8_t out[13] = {READ_NUMBER}, in[13] = {0};
    if (!find_rom()) {
        failed = 1;
        memcpy(serial, "0", 2);
        return;
    }
    rom.connect();
    rom.unmap();
    command(out, in, sizeof in);
    for (size_t k = 0; k < 15u; k++) { /* of 16 digits the first is left out */
        uint8_t byte = in[5u + (k + 1u) / 2u];
        serial[k] = HEX[(k + 1u) % 2u ? byte & 15u : byte >> 4];
    }
    out[0] = READ_KIND;
    command(out, in, 4);
    if (in[3] >= LEAST_SIZE && in[3] <= MOST_SIZE) {
        size = 1u << in[3];
    }
    rom.flush();
    rom.map();
}

const char *bb_flash_serial(void) {
    return serial;
}

static uint32_t place(uint8_t copy) {
    return size - (2u - copy) * SECTOR;
}

uint32_t bb_flash_load(uint8_t copy, uint8_t *to, size_t bytes) {
    if (copy > 1u) {
        return NO_SUCH_COPY;
    }
    if (bytes > MOST_RECORD) {
        return TOO_LONG;
    }
    memcpy(to, (const uint8_t *)(uintptr_t)(MAPPED + place(copy)), bytes);
    return OK;
}

uint32_t bb_flash_store(uint8_t copy, const uint8_t *from, size_t bytes) {
    static uint8_t pages[MOST_RECORD];
    if (copy > 1u) {
        return NO_SUCH_COPY;
    }
    if (bytes > MOST_RECORD) {
        return TOO_LONG;
    }
    if (!rom.program) {
        return NO_FUNCTION;
    }
    memset(pages, 0xFF, sizeof pages);
    memcpy(pages, from, bytes);
    bb_watchdog_feed(); /* a worn flash takes up to 400 ms for a sector */
    rom.connect();
    rom.unmap();
    rom.erase(place(copy), SECTOR, BLOCK, BLOCK_ERASE);
    bb_watchdog_feed();
    rom.program(place(copy), pages, (uint32_t)((bytes + PAGE - 1u) / PAGE * PAGE));
    rom.flush();
    rom.map();
    bb_watchdog_feed();
    failed = memcmp((const uint8_t *)(uintptr_t)(MAPPED + place(copy)), from, bytes) != 0;
    return failed ? DIFFERS : OK;
}

int bb_flash_failed(void) {
    return failed;
}
