# Bash completion of ampmarshal(1) and ampmarshald(8).

_ampmarshal_files() {
    local file
    while IFS= read -r file; do
        COMPREPLY+=("$file")
    done < <(compgen -f -- "$1")
    compopt -o filenames 2>/dev/null
}

_ampmarshal() {
    local current=${COMP_WORDS[COMP_CWORD]} previous=${COMP_WORDS[COMP_CWORD - 1]} options
    COMPREPLY=()
    case ${COMP_WORDS[1]} in
        trials) options="--help --json --html --profile --config --from-broker --load --fitting --starts" ;;
        plan) options="--help --source --want --what-if --cord --impedance --background --json --html" ;;
        rig) options="--help --host --port --seed --seconds --unmanaged --speed --summary" ;;
        *) options="--help --version trials plan rig" ;;
    esac
    if ((COMP_CWORD == 1)); then
        options="--help --version trials plan rig"
    fi
    case $previous in
        --html | --profile | --config | --from-broker | --summary) _ampmarshal_files "$current" ; return ;;
        --fitting) mapfile -t COMPREPLY < <(compgen -W "bare soft-start" -- "$current") ; return ;;
        --load | --starts | --source | --want | --what-if | --cord | --impedance | --background | --host | --port | --seed | \
            --seconds | --speed) return ;;
    esac
    mapfile -t COMPREPLY < <(compgen -W "$options" -- "$current")
    if ((COMP_CWORD > 1)) && [[ $current != -* && ${COMP_WORDS[1]} != rig ]]; then
        COMPREPLY=()
        _ampmarshal_files "$current"
    fi
}

_ampmarshald() {
    local current=${COMP_WORDS[COMP_CWORD]}
    COMPREPLY=()
    if [[ $current == -* ]]; then
        mapfile -t COMPREPLY < <(compgen -W "--help --check --observe --version" -- "$current")
    else
        _ampmarshal_files "$current"
    fi
}

complete -F _ampmarshal ampmarshal
complete -F _ampmarshald ampmarshald
