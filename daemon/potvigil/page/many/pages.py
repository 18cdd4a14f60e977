"""The pages of all records: pots, alarms, batches; and for one record a pot, a batch, its curve and pictures.

The database decides who sees which records (row-level security): a hidden record reads as empty.
"""

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote
from uuid import UUID

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from potvigil.model.events import AlarmId, Detail
from potvigil.model.pot import Pot
from potvigil.page.frame import batch_id_of
from potvigil.page.ground import sentence
from potvigil.page.guard import RequestRefusedError
from potvigil.page.many.ageing import MOODS, OLDEST_S, ageing
from potvigil.page.many.broker.asking import NotAcknowledgedError, acknowledge
from potvigil.page.many.record_cache import RecordCache
from potvigil.page.many.studio_ground import StudioGround
from potvigil.page.views import batches
from potvigil.page.views.data import curve_finder, curve_json
from potvigil.page.views.details import fields
from potvigil.page.views.strip import URGENCY
from potvigil.page.views.words import Severity
from potvigil.record.requests.batch_query import Wanted
from potvigil.record.requests.detail_input import habits_of
from potvigil.record.store import Store
from potvigil.record.tables.batches import listed_batch, listing, listing_begun
from potvigil.upkeep.pictures import kind_of

QUERY = (*batches.QUERY, "workshop", "record")
# Columns of a listing, counted from the record: the latest start first, then the higher batch number.
_NEWEST_FIRST = "5 DESC NULLS LAST, 2 DESC, 1"
_LAST_BATCHES = 10
_BACK = ("/", "/alarms")  # pages with an acknowledge button, besides the pot's own


class ManyPages:
    def __init__(self, ground: StudioGround) -> None:
        self._ground = ground
        self._ageing = RecordCache(ground.reader, self._aged, OLDEST_S)
        self._habits = RecordCache(ground.reader, habits_of)

    async def glance(self, request: Request) -> Response:
        now = await self._ground.state()
        return self._ground.render(request, "glance.html", "pots", "Pots", now=now)

    async def alarms(self, request: Request) -> Response:
        now = await self._ground.state()
        alarms = [{**alarm, "of": pot} for pot in now["pots"] for alarm in pot["alarms"]]
        alarms.sort(key=lambda each: (URGENCY.index(Severity(each["level"])), not each["is_new"]))
        return self._ground.render(request, "alarms.html", "alarms", "Alarms", alarms=alarms)

    async def health(self, request: Request) -> Response:
        now = await self._ground.state()

        def read() -> list[dict[str, Any]]:
            records = {str(each.id): each for each in self._ground.reader.records()}
            aged = []
            for pot in now["pots"]:
                shipped = records.get(pot["record"]) if pot["pot"] else None  # "": unreadable
                of_record = {} if shipped is None else self._ageing.get(shipped)
                if pot["pot"] in of_record:
                    aged.append(of_record[pot["pot"]] | {"id": pot["id"], "href": pot["href"]})
            return sorted(aged, key=lambda each: MOODS.index(each["mood"]))

        aged = await self._ground.in_thread(read)
        return self._ground.render(request, "health.html", "ageing", "Health", aged=aged)

    def _settings(self, store: Store) -> Mapping[str, Pot]:
        run = store.last_run()
        return {} if run is None else self._ground.pots_of(run.settings_json)

    def _aged(self, store: Store) -> dict[str, dict[str, Any]]:
        return {pot_id: ageing(store, pot) for pot_id, pot in self._settings(store).items()}

    async def acknowledge(self, request: Request) -> Response:
        """Ask the watch of a visible pot to acknowledge an alarm, and wait until it has."""
        read_only = RequestRefusedError(
            403, "This page can only show alarms; acknowledge on the pot's own page."
        )
        listener = self._ground.listener
        if listener is None or self._ground.config.password is None:
            raise read_only
        form = await self._ground.form(request)
        back = form.get("back") if form.get("back") in _BACK else None
        record, pot_id = record_of(request), str(request.path_params["pot"])
        pot = await self._pot(record, pot_id)
        if not pot["can_ask"]:
            raise read_only
        if form.get("alarm") not in set(AlarmId):
            raise RequestRefusedError(422, "There is no such alarm.")
        try:
            await acknowledge(listener, pot["workshop"], pot_id, AlarmId(form["alarm"]), self._ground.by)
        except NotAcknowledgedError as error:
            raise RequestRefusedError(503, f"Not acknowledged. {sentence(error)}") from error
        self._ground.drop_cached()
        return RedirectResponse(f"{back or pot['href']}?said=acknowledged", 303)

    # -- batches -----------------------------------------------------------------------------------

    async def batches(self, request: Request) -> Response:
        query = batches.query_of(request.query_params, QUERY)
        page = batches.page_number(request.query_params.get("page", "1"))
        now = await self._ground.state()
        context: dict[str, Any]
        try:
            context, code = await self._ground.in_thread(self._listed, query, page), 200
        except batches.QueryError as error:
            context, code = batches.empty_list(query, str(error)), 422
        context["workshops"] = sorted({pot["workshop"] for pot in now["pots"]})
        context["pots"] = sorted({pot["pot"] for pot in now["pots"]} - {""})
        return self._ground.render(request, "batches.html", "batches", "Batches", code, **context)

    def _listed(self, query: dict[str, str], page: int) -> dict[str, Any]:
        skip = (page - 1) * batches.PAGE
        # any one record might fill the whole page
        wanted = batches.wanted_of(query, None, skip + batches.PAGE + 1, 0)
        records = {each.id: each for each in self._ground.reader.records()}
        among = [
            each.id
            for each in records.values()
            if (str(each.id) == query["record"] if query["record"] else not each.is_past)
            and query["workshop"] in ("", each.workshop)
        ]
        found = self._found(wanted, among, skip)
        rows = []
        for record, row in found:
            line = batches.line(listed_batch(row), *self._habits.get(records[record]))
            place = f"{records[record].workshop}/{line['pot']}"
            rows.append(line | {"href": f"/of/{record}/batch/{line['id']}", "place": place})
        return batches.list_page(rows, query, page)

    def _found(self, wanted: Wanted, among: Sequence[UUID], skip: int) -> list[tuple[UUID, Any]]:
        """Return the rows of a page: first find which batches they are, then read only those in full."""
        of_each = self._ground.reader.of_each
        begun = of_each(
            *listing_begun(wanted), order=_NEWEST_FIRST, most=batches.PAGE + 1, skip=skip, among=among
        )
        if not begun:
            return []
        here = [(record, row[0]) for record, row in begun]
        these = Wanted(numbers=tuple(sorted({number for _, number in here})))
        rows = of_each(*listing(these), order=_NEWEST_FIRST, among=list({record for record, _ in here}))
        lines = {(record, row[0]): row for record, row in rows}
        return [(each[0], lines[each]) for each in here if each in lines]

    async def batch(self, request: Request) -> Response:
        record, batch_id = record_of(request), batch_id_of(request)

        def read(store: Store) -> dict[str, Any]:
            row = store.batch(batch_id)
            page = batches.shown_batch(store, row)
            workshop = next((e.workshop for e in self._ground.reader.records() if e.id == record), "")
            page["place"] = f"{workshop}/{row.pot_id}"
            page["fields"] = fields(store, row, self._ground.pots_of)
            names = row.details.get(Detail.PICTURES, "").splitlines()
            stored = self._ground.reader.pictures(record, batch_id)
            path = f"/of/{record}/batch/{batch_id}/picture"
            page["pictures"] = [
                {"name": name, "url": f"{path}/{quote(name, safe='')}" if name in stored else None}
                for name in names
            ]
            return page

        context = await self._ground.read(record, read)
        title = context["batch"]["label"] or f"Batch {batch_id}"
        context |= {"root": f"/of/{record}", "filled_in": False}
        return self._ground.render(request, "batch.html", "batch", title, **context)

    async def picture(self, request: Request) -> Response:
        record, batch_id, name = record_of(request), batch_id_of(request), str(request.path_params["name"])

        def read(store: Store) -> bytes | None:
            names = store.batch(batch_id).details.get(Detail.PICTURES, "").splitlines()
            return self._ground.reader.picture(record, batch_id, name) if name in names else None

        content = await self._ground.read(record, read)
        kind = None if content is None else kind_of(content)
        if content is None or kind is None:
            raise RequestRefusedError(404, "There is no such picture.")
        return Response(content, media_type=kind, headers={"cache-control": "private, max-age=3600"})

    # -- pots --------------------------------------------------------------------------------------

    async def pot(self, request: Request) -> Response:
        record, pot_id = record_of(request), str(request.path_params["pot"])
        pot, root = await self._pot(record, pot_id), f"/of/{record}"

        def read(store: Store) -> dict[str, Any]:
            unit, tz = habits_of(store)
            settings = self._settings(store).get(pot_id)
            rows = store.listed(Wanted(pot_id=pot_id, limit=_LAST_BATCHES))
            return {
                "aged": None if settings is None else ageing(store, settings),
                "rows": [batches.line(row, unit, tz) | {"href": f"{root}/batch/{row.id}"} for row in rows],
            }

        context = {"pot": pot, "root": root, **await self._ground.read(record, read)}
        return self._ground.render(request, "pot.html", "pot", pot["id"], **context)

    async def _pot(self, record: UUID, pot_id: str) -> dict[str, Any]:
        """Return a pot visible to this user. Raises RequestRefusedError."""
        now = await self._ground.state()
        pot = next((p for p in now["pots"] if (p["record"], p["pot"]) == (str(record), pot_id)), None)
        if pot is None and now["silent"]:
            raise RequestRefusedError(503, "The studio's database does not answer.")
        if pot is None:
            raise RequestRefusedError(404, "There is no such pot.")
        return dict(pot)

    async def curve(self, request: Request) -> Response:
        find = curve_finder(request.query_params)

        def read(store: Store) -> bytes:
            return curve_json(store, self._ground.pots_of, find(store))

        content = await self._ground.read(record_of(request), read)
        return Response(content, media_type="application/json")


def record_of(request: Request) -> UUID:
    """Return the record a URL names."""
    record: UUID = request.path_params["record"]
    return record
