/*
 * A Modbus RTU slave on libmodbus, against which the Modbus master is tested.
 *
 *   slave DEVICE BAUD UNIT
 *
 * Holding registers 0..19 hold floats in the four word orders, filled by hand:
 * the float helpers of libmodbus 3.1.6 are swapped against their names.
 * Holding registers 20..35 hold 0x12345678 and 0xFEDCBA98 in the four orders.
 * Holding register 60 is the delay, in ms, of the next answers to function 3.
 * Coils 0..7, input bits 0..7 and input registers 0..7 can be read, coils and
 * holding registers written. Any other address is answered with exception 2.
 */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define DELAY_REGISTER 60

static void put_bits(uint16_t *reg, uint32_t u, const char *order)
{
    uint8_t significance[4], wire[4];
    int i;

    for (i = 0; i < 4; i++)
        significance[i] = (uint8_t) (u >> (24 - 8 * i)); /* A B C D */
    for (i = 0; i < 4; i++)
        wire[i] = significance[order[i] - 'A'];
    reg[0] = (uint16_t) (wire[0] << 8 | wire[1]);
    reg[1] = (uint16_t) (wire[2] << 8 | wire[3]);
}

static void put(uint16_t *reg, float f, const char *order)
{
    uint32_t u;

    memcpy(&u, &f, sizeof u);
    put_bits(reg, u, order);
}

int main(int argc, char **argv)
{
    modbus_t *ctx;
    modbus_mapping_t *map;
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    int i;

    if (argc != 4) {
        fprintf(stderr, "usage: slave DEVICE BAUD UNIT\n");
        return 2;
    }
    ctx = modbus_new_rtu(argv[1], atoi(argv[2]), 'N', 8, 1);
    if (ctx == NULL || modbus_set_slave(ctx, atoi(argv[3])) < 0 || modbus_connect(ctx) < 0) {
        fprintf(stderr, "slave: %s: %s\n", argv[1], modbus_strerror(errno));
        return 1;
    }
    map = modbus_mapping_new(8, 8, 100, 8);
    if (map == NULL)
        return 1;
    put(map->tab_registers + 0, 12.3456f, "ABCD");
    put(map->tab_registers + 2, -0.5f, "CDAB");
    put(map->tab_registers + 4, 101.325f, "BADC");
    put(map->tab_registers + 6, 1e-6f, "DCBA");
    for (i = 0; i < 4; i++) {
        static const char *orders[] = {"ABCD", "CDAB", "BADC", "DCBA"};
        put_bits(map->tab_registers + 20 + 4 * i, 0x12345678u, orders[i]);
        put_bits(map->tab_registers + 22 + 4 * i, 0xFEDCBA98u, orders[i]);
    }
    map->tab_registers[8] = 0x8001;
    map->tab_registers[9] = 0xFFFE;
    map->tab_input_registers[3] = 4711;
    map->tab_input_bits[5] = 1;
    puts("ready");
    fflush(stdout);
    for (;;) {
        int n = modbus_receive(ctx, query);
        if (n < 0 && (errno == EBADF || errno == EIO || errno == ENODEV || errno == ECONNRESET))
            return 0;
        if (n <= 0)
            continue; /* another unit's request, or a bad CRC: a slave is silent */
        if (query[1] == 3 && map->tab_registers[DELAY_REGISTER] > 0)
            usleep(map->tab_registers[DELAY_REGISTER] * 1000u);
        modbus_reply(ctx, query, n, map);
    }
}
