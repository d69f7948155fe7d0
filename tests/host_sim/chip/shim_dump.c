/* Prints what an ELF reader sees of an image, through the ten calls of tools/elf_shim. */
#include <fcntl.h>
#include <gelf.h>
#include <stdio.h>

static void print_symbols(Elf *elf, Elf_Scn *section, const GElf_Shdr *header)
{
    Elf_Data *data = elf_getdata(section, NULL);
    for (int i = 0; i < (int)(header->sh_size / header->sh_entsize); i++) {
        GElf_Sym symbol;
        gelf_getsym(data, i, &symbol);
        printf("symbol %s %llu %llu\n", elf_strptr(elf, header->sh_link, symbol.st_name),
               (unsigned long long)symbol.st_value, (unsigned long long)symbol.st_size);
    }
}

int main(int argc, char **argv)
{
    (void)argc;
    Elf *elf = elf_version(EV_CURRENT) != EV_NONE
        ? elf_begin(open(argv[1], O_RDONLY), ELF_C_READ, NULL) : NULL;
    size_t segments = 0;
    if (elf == NULL || elf_getphdrnum(elf, &segments) != 0) {
        puts("no image");
        return 0;
    }
    for (size_t i = 0; i < segments; i++) {
        Elf32_Phdr *p = &elf32_getphdr(elf)[i];
        printf("segment %u %u %u\n", p->p_type, p->p_paddr, p->p_filesz);
    }
    for (Elf_Scn *s = elf_nextscn(elf, NULL); s != NULL; s = elf_nextscn(elf, s)) {
        GElf_Shdr header;
        unsigned sum = 0;
        gelf_getshdr(s, &header);
        Elf_Data *data = elf_getdata(s, NULL);
        for (size_t i = 0; data->d_buf != NULL && i < data->d_size; i++) {
            sum += ((unsigned char *)data->d_buf)[i];
        }
        printf("section %llu %zu %u\n", (unsigned long long)header.sh_addr, data->d_size, sum);
        if (header.sh_type == SHT_SYMTAB) {
            print_symbols(elf, s, &header);
        }
    }
    return elf_end(elf);
}
