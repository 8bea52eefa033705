#!/usr/bin/env bash
# A real Slurm of one node on the loopback of this machine, for tests, as root and without systemd.
#   cluster.sh start FOLDER     state and logs of the cluster go to FOLDER
#   cluster.sh stop FOLDER
set -euo pipefail

configuration=/etc/slurm/slurm.conf
mark="# written by tests/slurm/cluster.sh"

start() {
  local folder node
  folder=$(realpath -m "$1")
  node=$(hostname -s)
  if [ -e "$configuration" ] && ! grep -qxF "$mark" "$configuration"; then
    echo "$configuration belongs to a real cluster: it is left alone." >&2
    return 1
  fi
  getent hosts "$node" >/dev/null || echo "127.0.0.1 $node" >>/etc/hosts
  mkdir -p "$folder"/state "$folder"/spool "$folder"/log /etc/slurm
  # job steps look for the configuration here and nowhere else
  cat >"$configuration" <<END
$mark
ClusterName=local
SlurmctldHost=$node(127.0.0.1)
CommunicationParameters=NoInAddrAny,NoCtldInAddrAny
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=cred_expire=5
StateSaveLocation=$folder/state
SlurmdSpoolDir=$folder/spool
SlurmctldPidFile=$folder/slurmctld.pid
SlurmdPidFile=$folder/slurmd.pid
SlurmctldLogFile=$folder/log/slurmctld.log
SlurmdLogFile=$folder/log/slurmd.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
MpiDefault=none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SchedulerParameters=sched_interval=1,batch_sched_delay=0
ReturnToService=1
MinJobAge=300
SlurmdParameters=config_overrides
NodeName=$node NodeAddr=127.0.0.1 CPUs=8 RealMemory=16000 State=UNKNOWN
PartitionName=main Nodes=$node Default=YES MaxTime=INFINITE State=UP
END
  install -d -o munge -g munge -m 0755 /run/munge
  answers munge_works 1 || runuser -u munge -- /usr/sbin/munged --force
  answers munge_works 50
  slurmctld
  slurmd
  answers node_is_idle 50 || {
    tail -n 20 "$folder"/log/*.log >&2
    return 1
  }
}

munge_works() { munge -n 2>/dev/null | unmunge >/dev/null 2>&1; }
node_is_idle() { sinfo -h -o %T 2>/dev/null | grep -qx idle; }

answers() {
  for _ in $(seq "$2"); do
    "$1" && return 0
    sleep 0.2
  done
  return 1
}

stop() {
  scontrol shutdown >/dev/null 2>&1 || true
  if [ -e /run/munge/munged.pid ]; then kill "$(cat /run/munge/munged.pid)" || true; fi
  if grep -qxF "$mark" "$configuration" 2>/dev/null; then rm "$configuration"; fi
}

"$1" "$2"
