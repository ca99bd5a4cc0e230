# Prints what bash would offer for a line: offered.bash COMPLETIONS WORD...
source "$1"
shift
COMP_WORDS=(norlock "$@")
COMP_CWORD=$#
COMP_LINE=${COMP_WORDS[*]}
COMP_POINT=${#COMP_LINE}
_norlock norlock "${COMP_WORDS[-1]}" "${COMP_WORDS[-2]}"
printf '%s\n' "${COMPREPLY[@]}"
