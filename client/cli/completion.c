/*
 * completion.c - `betony completion bash`: a completion script made from the same tables as the flags.
 *
 * What always holds: the script asks nobody and runs nothing; everything it offers is in it.
 */
#include "cli.h"

#include <string.h>

static void put_choices(const struct cli_flag *flag) {
    uint32_t count = flag->field && flag->field->choices ? proto_choice_count(flag->field->choices) : 0;
    for (uint32_t i = 1; i <= count; i++)
        (void)printf("%s%s", i == 1 ? "" : " ", proto_choice_name(flag->field->choices, i));
}

/* A case of the script: for `word` the flags, and the choices behind each flag. */
static void put_case(const char *word, const struct cli_args *args) {
    (void)printf("    %s)\n        flags=\"", word);
    for (size_t i = 0; i < args->flag_count; i++)
        (void)printf("%s--%s", i ? " " : "", args->flags[i].name);
    (void)puts("\"\n        case $previous in");
    for (size_t i = 0; i < args->flag_count; i++) {
        const struct cli_flag *flag = &args->flags[i];
        if (!flag->takes_text)
            continue;
        (void)printf("        --%s) choices=\"", flag->name);
        put_choices(flag);
        (void)puts("\"; takes=yes ;;");
    }
    (void)puts("        esac\n        ;;");
}

static const char head[] =
    "# bash completion for betony; made by `betony completion bash'\n"
    "_betony() {\n"
    "    local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD-1]} verb= word= kind= i\n"
    "    local flags= choices= takes= globals=\"--connect --account --secret-file --json --ndjson --timeout --help "
    "--version\"\n"
    "    for ((i = 1; i < COMP_CWORD; i++)); do\n"
    "        case ${COMP_WORDS[i]} in\n"
    "        --connect | --account | --secret-file | --timeout) ((i++)) ;;\n"
    "        -*) ;;\n"
    "        *)\n"
    "            if [ -z \"$verb\" ]; then verb=${COMP_WORDS[i]}\n"
    "            elif [ \"$verb\" = record ] && [ -z \"$kind\" ]; then kind=${COMP_WORDS[i]}; fi\n"
    "            ;;\n"
    "        esac\n"
    "    done\n"
    "    word=$verb\n"
    "    [ \"$verb\" = record ] && word=record:$kind\n"
    "    case $previous in\n"
    "    --secret-file | --rejects) mapfile -t COMPREPLY < <(compgen -f -- \"$current\"); return ;;\n"
    "    --connect | --account | --timeout) COMPREPLY=(); return ;;\n"
    "    esac\n"
    "    case $word in\n";

static void put_verbs(void) {
    (void)fputs("    '')\n        choices=\"", stdout);
    for (size_t i = 0; i < cli_verb_count; i++)
        (void)printf("%s%s", i ? " " : "", cli_verbs[i].name);
    (void)puts("\"\n        ;;");
}

static void put_kinds(const char *word) {
    (void)printf("    %s)\n        choices=\"", word);
    for (int k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++)
        (void)printf("%s%s", k > 1 ? " " : "", proto_kind_get((enum proto_kind)k)->name);
    (void)puts("\"\n        ;;");
}

static const char tail[] = "    esac\n"
                           "    if [ -n \"$takes\" ]; then flags=; globals=; fi\n"
                           "    if [ \"$word\" = load ] && [[ $current != -* ]]; then\n"
                           "        mapfile -t COMPREPLY < <(compgen -f -- \"$current\")\n"
                           "    elif [[ $current == -* ]]; then\n"
                           "        mapfile -t COMPREPLY < <(compgen -W \"$flags $globals\" -- \"$current\")\n"
                           "    else\n"
                           "        mapfile -t COMPREPLY < <(compgen -W \"$choices\" -- \"$current\")\n"
                           "    fi\n"
                           "}\n"
                           "complete -F _betony betony\n";

static void put_script(void) {
    static struct cli_args args;
    (void)fputs(head, stdout);
    put_verbs();
    put_kinds("record:");
    for (size_t i = 0; i < cli_verb_count; i++) {
        if (cli_verbs[i].method == PROTO_METHOD_record)
            continue;
        memset(&args, 0, sizeof args);
        cli_verb_flags(&cli_verbs[i], &args);
        if (strcmp(cli_verbs[i].name, "load") == 0) {
            cli_args_add_own(&args, "keep-going", false, "");
            cli_args_add_own(&args, "rejects", true, "");
        }
        put_case(cli_verbs[i].name, &args);
    }
    for (int k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        char word[80];
        memset(&args, 0, sizeof args);
        record_flags(&args, (enum proto_kind)k);
        (void)snprintf(word, sizeof word, "record:%s", proto_kind_get((enum proto_kind)k)->name);
        put_case(word, &args);
    }
    (void)fputs(tail, stdout);
}

int verb_completion(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    args.verb = verb->name;
    args.words_max = 1;
    cli_args_parse(cli, &args, argc, argv, verb->words, verb->help);
    if (args.word_count < 1)
        cli_usage(&args, "SHELL is missing; it is bash");
    if (strcmp(args.words[0], "bash") != 0)
        cli_usage(&args, "there is no completion for \"%s\", only for bash", args.words[0]);
    put_script();
    return EX_OK;
}
