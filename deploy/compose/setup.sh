#!/usr/bin/env bash
# Makes what compose.yaml needs, in this folder: secrets/ (only what is missing)
# and grafana/ (anew each time). Usage: ./setup.sh [path of rollcall]
set -euo pipefail
rollcall=$(command -v "${1:-rollcall}") || { echo "setup.sh: there is no program ${1:-rollcall}; give its path" >&2; exit 2; }
rollcall=$(realpath "$rollcall")
cd "$(dirname "${BASH_SOURCE[0]}")"

# The folder is closed to others; the files are readable inside it, because a
# container's user is none of this machine's.
mkdir -p secrets
chmod 700 secrets
umask 022
for name in rollcall grafana_clickhouse grafana_admin; do
  if [ ! -s "secrets/$name" ]; then
    head -c 30 /dev/urandom | base64 | tr '+/' '-_' | tr -d '\n' > "secrets/$name.new"
    mv "secrets/$name.new" "secrets/$name"
  fi
done
hash() { printf %s "$(cat "secrets/$1")" | sha256sum | cut -d' ' -f1; }

cat > secrets/users.xml.new <<XML
<!-- Written by setup.sh. rollcall owns its database; grafana reads it. -->
<clickhouse>
  <profiles>
    <rollcall_reader>
      <readonly>2</readonly>
      <max_execution_time>30</max_execution_time>
      <max_memory_usage>2000000000</max_memory_usage>
    </rollcall_reader>
  </profiles>
  <users>
    <rollcall>
      <password_sha256_hex>$(hash rollcall)</password_sha256_hex>
      <networks><ip>::/0</ip></networks>
      <profile>default</profile>
      <quota>default</quota>
      <grants>
        <query>GRANT ALL ON rollcall.*</query>
        <query>GRANT SELECT ON system.*</query>
      </grants>
    </rollcall>
    <grafana>
      <password_sha256_hex>$(hash grafana_clickhouse)</password_sha256_hex>
      <networks><ip>::/0</ip></networks>
      <profile>rollcall_reader</profile>
      <quota>default</quota>
      <grants>
        <query>GRANT SELECT ON rollcall.*</query>
      </grants>
    </grafana>
  </users>
</clickhouse>
XML
mv secrets/users.xml.new secrets/users.xml

"$rollcall" dashboards write grafana --dashboards-at /etc/rollcall/dashboards \
  --clickhouse-host clickhouse --clickhouse-port 9000 --clickhouse-database rollcall \
  --clickhouse-user grafana --clickhouse-password-at /run/secrets/grafana_clickhouse
