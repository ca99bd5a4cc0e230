# Prints what zsh would offer for a line: offered.zsh FOLDER WORD... Only a zsh on a terminal completes, so one is
# started on a terminal of its own.
zmodload zsh/zpty
folder=$1
shift
zpty inner zsh -f -i
zpty -w inner "stty cols 300 rows 300; PS1=; LISTMAX=9999; fpath=($folder \$fpath); autoload -Uz compinit; compinit -D -u"
zpty -w inner 'zstyle ":completion:*" list-packed no; setopt no_beep; echo re""ady'
while zpty -r inner line; do [[ $line == *ready* ]] && break; done
zpty -w -n inner "norlock $*"$'\t\t'
# It is silent when all is listed.
while zpty -r -t inner line || { sleep 0.3; zpty -r -t inner line; }; do print -rn -- $line; done
zpty -d inner
