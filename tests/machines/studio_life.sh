# The life of a studio's server on a machine without a pot; goes on where service_life.sh ends, with its words.
rm -rf /etc/potvigil /var/lib/potvigil
cp -r /opt/config /home/caster/potvigil/config # as in a clone
user "potvigil/.venv/bin/pip install -q \"\$(echo /opt/house/potvigil*.whl)[page,studio]\""
up=/home/caster/potvigil/config/studio/up.sh
echo 127.0.0.1 studio.local >>/etc/hosts

try bash "$up" server studio.local <<<lens-and-lamp
wait_for 60 potvigil status
try systemctl is-active potvigil-studio mosquitto "postgresql@$(ls /etc/postgresql)-main"
try test "$(systemctl is-active potvigil)" != active
try systemctl is-enabled potvigil-studio
seconds "a studio's server is up, and its page answers"

mkdir /opt/pi
said=$(try bash "$up" pi lantern-pi harbour-models lantern)
grep -Ex '[A-Za-z0-9_-]{32}' <<<"$said" >/opt/pi/studio-password
chmod 600 /opt/pi/studio-password
cp /etc/potvigil/page-authority.pem /opt/pi/studio-ca.pem
{ cat /opt/config/smallest.yaml; grep -E '^(studio|mqtt): ' <<<"$said"; echo 'record: {file: night.db}'; } >/opt/pi/workshop.yaml
try potvigil rehearse sound --record /opt/pi/night.db >/dev/null
try potvigil ship --once --config /opt/pi/workshop.yaml
try potvigil check
potvigil check | grep -q 'harbour-models, lantern-pi: the newest row came' || echo "FAILED: check does not name the Pi"
try potvigil check --config /opt/pi/workshop.yaml
seconds "a rehearsed night is shipped, and check finds nothing at fault"

try systemctl is-active potvigil-certificate.timer
try systemctl start potvigil-certificate
systemctl show -p Result --value potvigil-certificate | grep -qx success || echo "FAILED: the certificate is not looked after"
page=$(systemctl show -p MainPID --value potvigil-studio)
rm /etc/potvigil/page.pem # one that is gone is made anew, as one that is due
try systemctl start potvigil-certificate
wait_for 60 potvigil status
try test "$(systemctl show -p MainPID --value potvigil-studio)" != "$page"
try cmp /etc/potvigil/page.pem /etc/potvigil/broker/server.pem
seconds "its certificate is renewed"

before=$(systemctl show -p MainPID --value potvigil-studio)
try bash "$up" server
wait_for 60 potvigil status
try test "$(systemctl show -p MainPID --value potvigil-studio)" != "$before"
kill -KILL "$(systemctl show -p MainPID --value potvigil-studio)"
sleep 1
wait_for 60 potvigil status
seconds "brought up once more, killed, and begun anew"

try /home/caster/potvigil/.venv/bin/potvigil service remove
try test -s /etc/potvigil/studio.yaml
try test -z "$(compgen -G '/etc/systemd/system/potvigil*')"
try test -z "$(systemctl list-units --no-legend 'potvigil*')"
seconds "the studio is removed, with its settings and database left"
