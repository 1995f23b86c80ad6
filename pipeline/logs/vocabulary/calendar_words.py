"""Names of months and of the days of the week, as loggers of Europe and America write them."""

from __future__ import annotations

MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan januar jän jänner janvier janv enero ene gennaio gen janeiro januari tammikuuta tammi stycznia styczeń sty ledna led"
            " ocak oca января янв",
            "february feb februar février févr fév fevrier fevr febrero febbraio fevereiro fev februari helmikuuta helmi lutego luty lut února"
            " úno şubat şub февраля февр фев",
            "march mar märz mär mrz maerz mars marzo março marco maart mrt marts maaliskuuta maalis marca marzec března bře mart марта мар",
            "april apr avril avr abril abr aprile huhtikuuta huhti kwietnia kwiecień kwi dubna dub nisan nis апреля апр",
            "may mai mayo maggio mag maio mei maj toukokuuta touko maja května kvě mayıs мая май",
            "june jun juni juin junio giugno giu junho kesäkuuta kesä czerwca czerwiec cze června čvn haziran haz июня июн",
            "july jul juli juillet juil julio luglio lug julho heinäkuuta heinä lipca lipiec lip července čvc temmuz tem июля июл",
            "august aug août aout agosto ago augustus augusti elokuuta elo sierpnia sierpień sie srpna srp ağustos ağu августа авг",
            "september sep sept septembre septiembre setiembre set settembre setembro syyskuuta syys września wrzesień wrz září zář eylül eyl"
            " сентября сент сен",
            "october oct okt oktober octobre octubre ottobre ott outubro out lokakuuta loka października październik paź října říj ekim eki"
            " октября окт",
            "november nov novembre noviembre novembro marraskuuta marras listopada listopad lis listopadu kasım kas ноября нояб ноя",
            "december dec dez dezember décembre déc decembre diciembre dic dicembre dezembro desember des joulukuuta joulu grudnia grudzień gru"
            " prosince pro aralık ara декабря дек",
        ),
        start=1,
    )
    for name in names.split()
}
"""Name, lower case -> number of the month. As the Unicode Common Locale Data Repository has them, and without accents."""

WEEKDAYS = frozenset(
    word
    for words in (
        "mon monday tue tues tuesday wed wednesday thu thur thurs thursday fri friday sat saturday sun sunday mo di mi do fr sa so",
        "montag dienstag mittwoch donnerstag freitag samstag sonnabend sonntag lun lunes mar martes mié mie miércoles jue jueves vie",
        "viernes sáb sab sábado dom domingo lundi mardi mer mercredi jeu jeudi ven vendredi sam samedi dim dimanche lunedì martedì",
        "mercoledì gio giovedì venerdì sabato domenica seg segunda ter terça qua quarta qui quinta sex sexta segunda-feira terça-feira",
        "quarta-feira quinta-feira sexta-feira ma wo vr za zo maandag dinsdag woensdag donderdag vrijdag zaterdag zondag pon wt wto śr",
        "śro czw pt pią sob niedz nie poniedziałek wtorek środa czwartek piątek sobota niedziela mån mandag måndag tis tirs tir",
        "tirsdag tisdag ons onsdag tors tor torsdag fre fredag lör lør lördag lørdag sön søn söndag søndag man ti ke to pe la su",
        "maanantaina tiistaina keskiviikkona torstaina perjantaina lauantaina sunnuntaina po út st čt pá ne pondělí úterý středa",
        "čtvrtek pátek neděle pzt sal çar per cum cmt paz pazartesi salı çarşamba perşembe cuma cumartesi pazar пн вт ср чт пт сб вс",
        "понедельник вторник среда четверг пятница суббота воскресенье",
    )
    for word in words.split()
)
"""Names, lower case, from the same source."""
